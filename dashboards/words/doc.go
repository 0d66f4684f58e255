// Package words puts what pages say into the language of who reads it.
//
// Everything that a page says is written in English where it is said: in a template, or in Go by
// [Language.Say]. The English text is the key of its translation; [Rewrite] finds the texts of a
// template in its source, so that nobody marks them. Languages are gettext PO files, which every
// translator's tool reads: messages.pot has all that can be said (written by go generate), and a file
// such as de.po what is said in German. What is not translated stays in English.
//
// A translation is text and never markup: it is escaped before html/template parses it.
//
// The package translates no data: names, units, and the sentences that analytics and alerts write and that
// are kept with an alert for ever (evidence, reasons, notices) stay as they are. Numbers keep their decimal point
// in every language, as forms and papers have it.
package words

//go:generate go run ./extract
