package si

import (
	"strconv"
	"strings"
)

// maxText bounds what is looked at: no quantity is longer.
const maxText = 64

// splitNumber cuts text into its number and what follows, the unit. The number is plain
// decimal, as a person writes it: no hexadecimal, no underscore, no infinity. The problem is
// empty if all is well.
func splitNumber(text string) (value float64, unit, problem string) {
	if len(text) > maxText {
		return 0, "", "the text is too long"
	}
	text = strings.TrimSpace(text)
	if text == "" {
		return 0, "", "the text is empty"
	}
	if rest, ok := strings.CutPrefix(text, "−"); ok { // the typographic minus, as pages show it
		text = "-" + rest
	}
	end := numberEnd(text)
	if end == 0 {
		return 0, "", "it does not begin with a number"
	}
	value, err := strconv.ParseFloat(text[:end], 64)
	if err != nil {
		return 0, "", "the number is too large" // the syntax is ours, so only the range is left
	}
	return value, strings.TrimSpace(text[end:]), joinedTo(text[end:])
}

// joinedTo says what is wrong with the number, judged by the text right behind it.
func joinedTo(rest string) string {
	switch {
	case strings.HasPrefix(rest, ","):
		return "write the decimal sign as a point, and thousands without a separator"
	case strings.HasPrefix(rest, "_"), strings.HasPrefix(rest, "."):
		return "write the number with plain digits and one decimal point"
	}
	rest = strings.TrimLeft(strings.TrimSpace(rest), "/+-−xX")
	if rest != "" && isDigit(rest[0]) {
		return "write the number as one plain decimal number, such as 0.375 or 1200"
	}
	return ""
}

// numberEnd returns the length of the decimal number that text begins with, 0 if none.
func numberEnd(text string) int {
	i := 0
	if text[0] == '+' || text[0] == '-' {
		i = 1
	}
	whole := digits(text[i:])
	i += whole
	if i < len(text) && text[i] == '.' {
		fraction := digits(text[i+1:])
		if whole+fraction == 0 {
			return 0
		}
		i += 1 + fraction
	} else if whole == 0 {
		return 0
	}
	return i + exponentLen(text[i:])
}

// exponentLen returns the length of an exponent at the start of text. An e without digits is
// none: it belongs to the unit.
func exponentLen(text string) int {
	if text == "" || text[0] != 'e' && text[0] != 'E' {
		return 0
	}
	n := 1
	if n < len(text) && (text[n] == '+' || text[n] == '-') {
		n++
	}
	d := digits(text[n:])
	if d == 0 {
		return 0
	}
	return n + d
}

func digits(text string) int {
	n := 0
	for n < len(text) && isDigit(text[n]) {
		n++
	}
	return n
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }
