package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// propsWidth is what fits every terminal and a sheet of paper.
const propsWidth = 80

// propsPage writes text for people and keeps the first error.
type propsPage struct {
	w   io.Writer
	err error
}

func (p *propsPage) line(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format+"\n", args...)
	}
}

// entry writes a label and its text in two columns, the text wrapped.
func (p *propsPage) entry(label, text string) {
	const column = 20
	for i, part := range wrap(text, propsWidth-column) {
		if i > 0 {
			label = ""
		}
		p.line("%-*s%s", column, label, part)
	}
}

// note writes a paragraph.
func (p *propsPage) note(text string) {
	for _, part := range wrap(text, propsWidth) {
		p.line("%s", part)
	}
}

// wrap breaks text into lines of at most width where words allow.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for word := range strings.FieldsSeq(text) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width:
			lines = append(lines, line)
			line = word
		default:
			line += " " + word
		}
	}
	return append(lines, line)
}
