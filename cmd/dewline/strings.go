package main

import (
	"fmt"

	"dewline/dashboards/words"
)

// stringsCommand writes the catalogue of what pages say: for a language with what it says already, so that
// its file can be written anew from it.
type stringsCommand struct {
	Language string `arg:"" optional:"" help:"A language by BCP 47, such as de; without one, the English alone."`
	Missing  bool   `help:"Only what the language does not say yet."`
}

func (c *stringsCommand) Run(std *streams) error {
	catalogue, err := words.Said()
	if err != nil {
		return err
	}
	messages := catalogue.Messages()
	if c.Language == "" {
		return words.Write(std.out, messages, nil)
	}
	language, err := c.language()
	if err != nil {
		return err
	}
	missing := catalogue.Missing(language)
	fmt.Fprintf(std.err, "%s says %d of %d\n", language.Tag(), len(messages)-len(missing), len(messages))
	if c.Missing {
		messages = missing
	}
	return words.Write(std.out, messages, language)
}

// language returns the language that is asked for, which may be one that there is nothing in yet.
func (c *stringsCommand) language() (*words.Language, error) {
	all, err := words.All()
	if err != nil {
		return nil, err
	}
	for _, l := range all {
		if l.Tag() == c.Language {
			return l, nil
		}
	}
	return words.New(c.Language)
}
