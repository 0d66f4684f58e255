package dewline

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Tongue puts what is said to people into a language. Whatever is said is written in English where it is
// said; {1} in it stands for the first argument, {2} for the second.
type Tongue interface {
	Say(english string, args ...any) string
	// SayN says one where n is exactly one, and many elsewhere.
	SayN(n int, one, many string, args ...any) string
	// Time writes an instant in a layout of package time.
	Time(at time.Time, layout string) string
}

type tongueKey struct{}

// WithTongue returns a context of a request that is answered in a language.
func WithTongue(ctx context.Context, t Tongue) context.Context {
	return context.WithValue(ctx, tongueKey{}, t)
}

// TongueOf returns the language in which a request is answered: English where none was asked for.
func TongueOf(ctx context.Context) Tongue {
	if t, ok := ctx.Value(tongueKey{}).(Tongue); ok {
		return t
	}
	return English
}

// English is the language in which everything is written.
var English Tongue = english{}

type english struct{}

func (english) Say(text string, args ...any) string {
	if len(args) == 0 {
		return text
	}
	out := make([]byte, 0, len(text)+16*len(args))
	for {
		at := strings.IndexByte(text, '{')
		if at < 0 || at+2 >= len(text) {
			return string(append(out, text...))
		}
		n := int(text[at+1]) - '1'
		if n < 0 || n >= len(args) || text[at+2] != '}' {
			out, text = append(out, text[:at+1]...), text[at+1:]
			continue
		}
		out = append(out, text[:at]...)
		switch a := args[n].(type) {
		case string:
			out = append(out, a...)
		case int:
			out = strconv.AppendInt(out, int64(a), 10)
		default:
			out = fmt.Append(out, a)
		}
		text = text[at+3:]
	}
}

func (e english) SayN(n int, one, many string, args ...any) string {
	if n == 1 {
		return e.Say(one, args...)
	}
	return e.Say(many, args...)
}

func (english) Time(at time.Time, layout string) string { return at.Format(layout) }

// Phrase is an English text of a table, said later by [Tongue.Say].
type Phrase string

// Said says the phrase.
func (p Phrase) Said(t Tongue) string {
	if p == "" {
		return ""
	}
	return t.Say(string(p))
}
