// Package export writes tables for other programs: CSV after RFC 4180 whose cells stay text.
//
// A spreadsheet takes a cell that begins with = + - @, a tab or a line break for a formula, and what
// people type into a record must never run on the machine of who opens it. So such a text gets an
// apostrophe in front, and every text is quoted, lest a spreadsheet that splits at semicolons finds
// another cell inside of one. Numbers are written by [Number] and stay numbers, signs included.
//
// It does not read tables and knows nothing of what stands in them.
package export
