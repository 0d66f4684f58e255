package words

import (
	"encoding/json"
	"html"
	"html/template"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// spoken are the attributes that people read or hear; the data- ones are drawn by the style sheet or by a
// script.
var spoken = map[string]bool{
	"title": true, "aria-label": true, "placeholder": true, "alt": true, "label": true,
	"data-name": true, "data-label": true, "data-line": true,
}

// unspoken are the elements whose text is for machines.
var unspoken = map[string]bool{"script": true, "style": true, "code": true, "kbd": true}

// control are the actions that no sentence goes across: what follows one may not follow in the page.
var control = map[string]bool{
	"if": true, "else": true, "end": true, "range": true, "with": true, "define": true, "block": true, "break": true, "continue": true,
}

// piece is a part of a template's source.
type piece struct {
	source string
	kind   kind
}

type kind int

const (
	other  kind = iota // markup and control actions: no message goes across
	text               // between tags, or in an attribute that is read
	action             // gives out a value, within text
	call               // gives out a template, within text
)

// Rewrite returns the source of a template in a language: each message that has a translation is replaced by
// it, with its actions where the translation has their numbers. Every other byte stays as it is.
func Rewrite(source string, l *Language) string {
	var out strings.Builder
	eachRun(source, func(run []piece) {
		m, ok := messageOf(run)
		if ok {
			if translation, known := l.text(m.key); known {
				out.WriteString(m.in(translation))
				return
			}
		}
		for _, p := range run {
			out.WriteString(p.source)
		}
	})
	return out.String()
}

var said = regexp.MustCompile(`\bsay ("(?:[^"\\]|\\.)*")`)

// Messages returns what a template says, in its order: its texts, and the literals that its actions give to
// the function say.
func Messages(source string) (all []string) {
	eachRun(source, func(run []piece) {
		if m, ok := messageOf(run); ok {
			all = append(all, m.key)
		}
		for _, p := range run {
			for _, literal := range said.FindAllStringSubmatch(p.source, -1) {
				if text, err := strconv.Unquote(literal[1]); err == nil {
					all = append(all, text)
				}
			}
		}
	})
	return all
}

var scripted = regexp.MustCompile(`\btr\(("(?:[^"\\]|\\.)*")`)

// ScriptMessages returns what a script of pages says, by the literals that it gives to the function tr.
func ScriptMessages(source string) (all []string) {
	for _, literal := range scripted.FindAllStringSubmatch(source, -1) {
		if text, err := strconv.Unquote(literal[1]); err == nil {
			all = append(all, text)
		}
	}
	return all
}

// ForScripts returns what scripts say in the language as a JSON object by the English texts, "" where that is
// the same.
func (l *Language) ForScripts(messages []string) string {
	said := map[string]string{}
	for _, m := range messages {
		if text, known := l.text(m); known {
			said[m] = text
		}
	}
	if len(said) == 0 {
		return ""
	}
	text, err := json.Marshal(said)
	if err != nil {
		return "" // texts alone cannot fail
	}
	return string(text)
}

// message is a text of a template with its actions.
type message struct {
	before, after string // what stands around it and stays
	key           string
	actions       []string
}

var trimmed = regexp.MustCompile(`^\{\{- |\s-\}\}$`)

// messageOf makes a message of pieces that stand together; ok is false where they say nothing.
func messageOf(run []piece) (m message, ok bool) {
	if run[0].kind == other || slices.ContainsFunc(run, func(p piece) bool { return strings.Contains(p.source, `="`) }) {
		return m, false // markup, or attributes that a template of their own holds
	}
	for len(run) > 0 && !says(run[0]) && run[0].kind != action { // a mark before a sentence is no part of it
		m.before += run[0].source
		run = run[1:]
	}
	for n := len(run); n > 0 && run[n-1].kind == call; n = len(run) {
		m.after = run[n-1].source + m.after
		run = run[:n-1]
	}
	var key strings.Builder
	letters := false
	for i, p := range run {
		if p.kind != text {
			m.actions = append(m.actions, trimmed.ReplaceAllStringFunc(p.source, func(s string) string { return strings.Trim(s, "- \n\t") }))
			key.WriteString("{" + strconv.Itoa(len(m.actions)) + "}")
			continue
		}
		s := p.source
		if i > 0 && strings.HasSuffix(run[i-1].source, " -}}") {
			s = strings.TrimLeft(s, " \t\r\n")
		}
		if i+1 < len(run) && strings.HasPrefix(run[i+1].source, "{{- ") {
			s = strings.TrimRight(s, " \t\r\n")
		}
		letters = letters || says(p)
		key.WriteString(s)
	}
	whole := key.String()
	inner := strings.TrimRight(strings.TrimLeft(whole, " \t\r\n,.;:/·"), " \t\r\n")
	if !letters || inner == "" || len(m.actions) > 9 {
		return m, false
	}
	at := strings.Index(whole, inner)
	m.before, m.after = m.before+whole[:at], whole[at+len(inner):]+m.after
	m.key = strings.Join(strings.Fields(html.UnescapeString(inner)), " ")
	return m, true
}

func says(p piece) bool {
	return p.kind == text && strings.ContainsFunc(html.UnescapeString(p.source), unicode.IsLetter)
}

// in returns the source of the message in a language.
func (m message) in(translation string) string {
	var out strings.Builder
	out.WriteString(m.before)
	plain := func(s string) {
		out.WriteString(strings.ReplaceAll(template.HTMLEscapeString(s), "{", "&#123;")) // so that it opens no action
	}
	rest := translation
	for {
		at := placeholder.FindStringIndex(rest)
		if at == nil {
			break
		}
		plain(rest[:at[0]])
		if n := int(rest[at[0]+1] - '0'); n >= 1 && n <= len(m.actions) {
			out.WriteString(m.actions[n-1])
		}
		rest = rest[at[1]:]
	}
	plain(rest)
	out.WriteString(m.after)
	return out.String()
}

// eachRun takes the source of a template apart into runs: pieces of text and actions that stand together,
// or one piece of markup. Together they are the source.
func eachRun(source string, do func(run []piece)) {
	var run []piece
	flush := func() {
		if len(run) > 0 {
			do(run)
			run = nil
		}
	}
	s := scanner{rest: source}
	for s.rest != "" {
		p := s.next()
		if p.source == "" {
			continue
		}
		if p.kind == other {
			flush()
			do([]piece{p})
			continue
		}
		run = append(run, p)
	}
	flush()
}

// scanner reads the source of a template.
type scanner struct {
	rest  string
	inTag bool
	quote byte   // of the attribute's value in which text is read, 0 elsewhere
	tag   string // the name of the tag that is open
	raw   string // the element whose text is for machines, "" elsewhere
}

func (s *scanner) take(n int, k kind) piece {
	p := piece{s.rest[:n], k}
	s.rest = s.rest[n:]
	return p
}

func (s *scanner) next() piece {
	switch {
	case s.raw != "":
		end := strings.Index(s.rest, "</"+s.raw)
		s.raw = ""
		if end < 0 {
			end = len(s.rest)
		}
		return s.take(end, other)
	case s.inTag:
		return s.markup()
	case strings.HasPrefix(s.rest, "{{"):
		n := actionEnd(s.rest)
		return s.take(n, kindOf(s.rest[:n]))
	case s.quote != 0:
		if s.rest[0] == s.quote {
			s.inTag, s.quote = true, 0
			return s.take(1, other)
		}
		return s.take(until(s.rest, string(s.quote), "{{"), text)
	case strings.HasPrefix(s.rest, "<!--"):
		end := strings.Index(s.rest, "-->")
		if end < 0 {
			return s.take(len(s.rest), other)
		}
		return s.take(end+len("-->"), other)
	case opensTag(s.rest):
		s.inTag, s.tag = true, tagName(s.rest[1:])
		return s.take(1, other)
	}
	n := 1
	for n < len(s.rest) && !strings.HasPrefix(s.rest[n:], "{{") && !opensTag(s.rest[n:]) && !strings.HasPrefix(s.rest[n:], "<!--") {
		n++
	}
	return s.take(n, text)
}

// markup reads within a tag: to its end, or to the value of an attribute that is read.
func (s *scanner) markup() piece {
	name := 0 // where the newest word begins
	for i := 0; i < len(s.rest); i++ {
		switch c := s.rest[i]; {
		case strings.HasPrefix(s.rest[i:], "{{"):
			i += actionEnd(s.rest[i:]) - 1
			name = i + 1
		case c == '"' || c == '\'':
			attribute := strings.ToLower(strings.TrimSuffix(s.rest[name:i], "="))
			button := attribute == "value" && s.tag == "input" && strings.Contains(s.rest[:i], `type="submit"`)
			if spoken[attribute] || button {
				s.inTag, s.quote = false, c
				return s.take(i+1, other)
			}
			for i++; i < len(s.rest) && s.rest[i] != c; i++ {
				if strings.HasPrefix(s.rest[i:], "{{") {
					i += actionEnd(s.rest[i:]) - 1
				}
			}
			name = i + 1
		case c == '>':
			s.inTag = false
			if unspoken[s.tag] {
				s.raw = s.tag
			}
			return s.take(i+1, other)
		case c == ' ' || c == '\n' || c == '\t' || c == '/':
			name = i + 1
		}
	}
	return s.take(len(s.rest), other)
}

func opensTag(s string) bool {
	return len(s) > 1 && s[0] == '<' && (s[1] == '/' || s[1] == '!' || s[1]|0x20 >= 'a' && s[1]|0x20 <= 'z')
}

func tagName(s string) string {
	end := strings.IndexFunc(s, func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
	if end < 0 {
		end = len(s)
	}
	return strings.ToLower(s[:end])
}

func until(s string, ends ...string) int {
	n := len(s)
	for _, end := range ends {
		if i := strings.Index(s, end); i >= 0 {
			n = min(n, i)
		}
	}
	return n
}

// actionEnd returns where an action ends that begins s; a quoted string in it may hold braces.
func actionEnd(s string) int {
	var quote byte
	for i := 2; i < len(s); i++ {
		switch c := s[i]; {
		case quote != 0:
			if c == '\\' && quote != '`' {
				i++
			} else if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'' || c == '`':
			quote = c
		case strings.HasPrefix(s[i:], "}}"):
			return i + 2
		}
	}
	return len(s)
}

func kindOf(source string) kind {
	inside := strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(source, "{{"), "- "))
	word, rest, _ := strings.Cut(strings.TrimSuffix(strings.TrimSuffix(inside, "}}"), " -"), " ")
	switch {
	case control[word], strings.HasPrefix(inside, "/*"), strings.HasPrefix(word, "$") && strings.HasPrefix(strings.TrimLeft(rest, " :"), "="):
		return other
	case word == "template":
		return call
	}
	return action
}
