package words

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/leonelquinteros/gotext"
	"golang.org/x/text/language"
)

// Message is something that pages say.
type Message struct {
	English string
	Many    string   // of a count: what is said of more than one, "" of anything else
	Where   []string // the files that say it, in order
}

// Messages returns all that pages can say, by the files that say it.
func (c Catalogue) Messages() []Message { return c.messages }

// Catalogue is all that pages can say.
type Catalogue struct{ messages []Message }

// Said returns the catalogue as it was when the program was built.
func Said() (Catalogue, error) {
	source, err := files.ReadFile("messages.pot")
	if err != nil {
		return Catalogue{}, err
	}
	po := gotext.NewPo()
	po.Parse(source)
	var c Catalogue
	for id, m := range po.GetDomain().GetTranslations() {
		if id != "" {
			c.messages = append(c.messages, Message{id, m.PluralID, strings.Fields(strings.Join(m.Refs, " "))})
		}
	}
	c.sort()
	return c, nil
}

// NewCatalogue makes a catalogue of messages that may be said in several places.
func NewCatalogue(said []Message) Catalogue {
	at := map[string]int{}
	var c Catalogue
	for _, m := range said {
		i, known := at[m.English]
		if !known {
			i = len(c.messages)
			at[m.English] = i
			c.messages = append(c.messages, Message{English: m.English})
		}
		of := &c.messages[i]
		of.Many = cmp.Or(of.Many, m.Many)
		of.Where = append(of.Where, m.Where...)
	}
	c.sort()
	return c
}

func (c Catalogue) sort() {
	for i := range c.messages {
		slices.Sort(c.messages[i].Where)
		c.messages[i].Where = slices.Compact(c.messages[i].Where)
	}
	slices.SortFunc(c.messages, func(a, b Message) int {
		return cmp.Or(strings.Compare(strings.Join(a.Where, " "), strings.Join(b.Where, " ")), strings.Compare(a.English, b.English))
	})
}

// Missing returns what a language does not say yet.
func (c Catalogue) Missing(l *Language) (missing []Message) {
	for _, m := range c.messages {
		if _, known := l.text(m.English); !known && l != Source {
			missing = append(missing, m)
		}
	}
	return missing
}

// Write writes messages as a PO file with what a language says of them, "" where nothing yet. Without a
// language it is the template of such files.
func Write(w io.Writer, messages []Message, l *Language) error {
	var b strings.Builder
	tag, plurals := "", "nplurals=2; plural=(n != 1);"
	if l != nil && l != Source {
		tag = l.tag.String()
		if p := l.plurals(); p != "" {
			plurals = p
		}
	}
	fmt.Fprintf(&b, "# What the pages of Dewline say. {1}, {2} stand for values: keep each once, in any order.\nmsgid \"\"\nmsgstr \"\"\n")
	for _, header := range []string{"Content-Type: text/plain; charset=UTF-8", "Language: " + tag, "Plural-Forms: " + plurals} {
		fmt.Fprintf(&b, "%s\n", quote(header+"\n"))
	}
	for _, m := range messages {
		b.WriteString("\n")
		fmt.Fprintf(&b, "#: %s\n", strings.Join(m.Where, " "))
		fmt.Fprintf(&b, "msgid %s\n", quote(m.English))
		if m.Many == "" {
			translation := ""
			if tag != "" {
				translation = l.texts[m.English]
			}
			fmt.Fprintf(&b, "msgstr %s\n", quote(translation))
			continue
		}
		fmt.Fprintf(&b, "msgid_plural %s\n", quote(m.Many))
		forms := []string{"", ""}
		if tag != "" {
			if known, ok := l.po.GetDomain().GetTranslations()[m.English]; ok {
				for n, translation := range known.Trs {
					for len(forms) <= n {
						forms = append(forms, "")
					}
					forms[n] = translation
				}
			}
		}
		for n, translation := range forms {
			fmt.Fprintf(&b, "msgstr[%d] %s\n", n, quote(translation))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (l *Language) plurals() string {
	if l.po == nil {
		return ""
	}
	return l.po.GetDomain().PluralForms
}

func quote(text string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(text) + `"`
}

// New returns a language without a word yet.
func New(tag string) (*Language, error) {
	t, err := language.Parse(tag)
	if err != nil {
		return nil, fmt.Errorf("%q is no name of a language by BCP 47: %w", tag, err)
	}
	return &Language{tag: t, texts: map[string]string{}, po: gotext.NewPo()}, nil
}
