package dewline

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v3"
)

// What a fleet file may cost. 20,000 systems take about 12 MiB.
const (
	maxFleetBytes    = 32 << 20
	maxRepeatedNodes = 100_000 // reached once more through aliases; a file without any reaches none
	maxMergeDepth    = 8       // of << within <<
	maxProblems      = 10_000
	maxTextRunes     = 200
)

// ReadFleet reads a fleet file. name stands for the file in errors and is not opened.
//
// The file is read strictly, because a mistake in it would show months later as a wrong number: a
// key, unit, refrigerant or owner that is not known is an error, and so is a value that no machine
// can have. The error is a [FleetErrors] with everything that is wrong; only a mistake in the YAML
// itself hides what comes after it. Aliases and merges (<<) may be used to say a thing once.
func ReadFleet(name string, data []byte, facts RefrigerantFacts) (*Fleet, error) {
	r := &fleetReader{file: name, facts: facts, lastLine: lastLine(data), nodesLeft: len(data) + maxRepeatedNodes}
	var f fleetText
	if root := r.parse(data); root != nil {
		r.readFleet(root, &f)
	}
	if len(r.problems) == 0 {
		return NewFleet(f.owners, f.sites), nil
	}
	slices.SortStableFunc(r.problems, byLine)
	return nil, slices.Compact(r.problems) // what stands at an anchor is found wrong at each alias
}

// fleetText is the top level of the file.
type fleetText struct {
	owners []Owner
	sites  []Site
}

// fleetReader goes through the nodes of a file and collects what is wrong.
type fleetReader struct {
	file      string
	facts     RefrigerantFacts
	lastLine  int
	problems  FleetErrors
	nodesLeft int
	stopped   bool // too much is wrong, or the file is built to exhaust us

	ownerLines []int // where each site names its owner, looked at when all owners are known
}

// lastLine returns the number of the last line of data. YAML sees the value that is not there on the
// line after it.
func lastLine(data []byte) int {
	return 1 + bytes.Count(bytes.TrimSuffix(data, []byte("\n")), []byte("\n"))
}

// entry is a value with the key it belongs to and the line of that key.
type entry struct {
	key  string
	line int
	node *yaml.Node
}

func (r *fleetReader) fail(line int, key, format string, args ...any) {
	if r.stopped {
		return
	}
	if len(r.problems) == maxProblems {
		r.stopped = true
		format, args = "there are more problems than these %d: correct them first", []any{maxProblems}
	}
	r.problems = append(r.problems, FleetError{r.file, min(max(line, 1), r.lastLine), printable(key), fmt.Sprintf(format, args...)})
}

func (r *fleetReader) failAt(e entry, format string, args ...any) {
	r.fail(e.line, e.key, format, args...)
}

// printable keeps a key out of the way of the one-line form of an error.
func printable(key string) string {
	if key != "" && len(key) <= 64 && !strings.ContainsFunc(key, func(c rune) bool { return c == ':' || !unicode.IsGraphic(c) }) {
		return key
	}
	return quoted(key)
}

// quoted quotes a text out of the file for an error.
func quoted(text string) string {
	if len(text) > 64 {
		text = strings.ToValidUTF8(text[:64], "") + "…"
	}
	return strconv.Quote(text)
}

// yamlKey stands for a key in errors about the YAML itself.
const yamlKey = "yaml"

// parse returns the top of the only document in data, nil if there is none to read.
func (r *fleetReader) parse(data []byte) *yaml.Node {
	if len(data) > maxFleetBytes {
		r.fail(1, yamlKey, "the file is larger than %d MiB: divide it by owner or region", maxFleetBytes>>20)
		return nil
	}
	source := &lineReader{rest: data}
	decoder := yaml.NewDecoder(source)
	var doc, next yaml.Node
	switch err := decoder.Decode(&doc); {
	case err == io.EOF:
		r.fail(1, "sites", "missing: the file is empty")
		return nil
	case err != nil:
		r.failSyntax(err, source.line, data)
		return nil
	}
	switch err := decoder.Decode(&next); {
	case err == nil:
		r.fail(next.Line, yamlKey, "a second document begins here: one file is one fleet")
	case err != io.EOF:
		r.failSyntax(err, source.line, data)
	}
	return doc.Content[0]
}

// failSyntax reports an error of the YAML library, of which only the text is known. Its line counts
// from 0 and is where the block around the mistake begins; that is right for a bracket that is never
// closed, and otherwise the line that was read last is nearer.
func (r *fleetReader) failSyntax(err error, read int, data []byte) {
	text, begins := strings.TrimPrefix(err.Error(), "yaml: "), 0
	if rest, ok := strings.CutPrefix(text, "line "); ok {
		if number, problem, ok := strings.Cut(rest, ": "); ok {
			begins, _ = strconv.Atoi(number)
			text = problem
		}
	}
	if strings.HasPrefix(text, "did not find expected ',' or") {
		read, text = min(begins+1, read), text+": a bracket opens here and is not closed"
	}
	if name, ok := strings.CutPrefix(text, "unknown anchor '"); ok {
		name = "*" + strings.TrimSuffix(name, "' referenced")
		before, _, _ := bytes.Cut(data, []byte(name))
		read, text = 1+bytes.Count(before, []byte("\n")), "the alias "+name+" has no anchor before it"
	}
	r.fail(read, yamlKey, "%s", text)
}

// lineReader hands out one line at a time and so knows how far the reader of it has come.
type lineReader struct {
	rest []byte
	line int // the one handed out last, from 1
	open bool
}

func (l *lineReader) Read(p []byte) (int, error) {
	if len(l.rest) == 0 {
		return 0, io.EOF
	}
	if !l.open {
		l.line++
	}
	end := bytes.IndexByte(l.rest[:min(len(l.rest), len(p))], '\n')
	l.open = end < 0
	if l.open {
		end = len(l.rest) - 1
	}
	n := copy(p, l.rest[:end+1])
	l.rest = l.rest[n:]
	return n, nil
}

// follow returns the node that e stands for, through aliases. Each node counts each time, so that
// a short file of aliases of aliases cannot keep us busy; it returns nil when that is used up.
func (r *fleetReader) follow(e entry) *yaml.Node {
	n := e.node
	for n.Kind == yaml.AliasNode {
		r.nodesLeft--
		n = n.Alias
	}
	r.nodesLeft -= 1 + len(n.Content)
	if r.nodesLeft < 0 {
		r.failAt(e, "aliases repeat more than %d values: write them out", maxRepeatedNodes)
		r.stopped = true
	}
	if r.stopped {
		return nil
	}
	if n.Style&yaml.TaggedStyle != 0 {
		r.failAt(e, "the tag %s is not used here: remove it", quoted(n.Tag))
		return nil
	}
	return n
}

// pairs returns the keys of a mapping with their values, those of merged mappings included.
func (r *fleetReader) pairs(e entry) ([]entry, bool) { return r.pairsBelow(e, 0) }

func (r *fleetReader) pairsBelow(e entry, depth int) ([]entry, bool) {
	n := r.follow(e)
	switch {
	case n == nil:
		return nil, false
	case n.Kind != yaml.MappingNode:
		r.failAt(e, "expected keys with values, found %s", kindOf(n))
		return nil, false
	}
	var pairs, merges []entry
	first := make(map[string]int, len(n.Content)/2) // key to its line
	for i := 0; i+1 < len(n.Content); i += 2 {
		k := n.Content[i]
		p := entry{k.Value, k.Line, n.Content[i+1]}
		line, repeated := first[p.key]
		switch {
		case k.Kind != yaml.ScalarNode:
			r.fail(k.Line, e.key, "a key has to be a word, found %s", kindOf(k))
		case k.Tag == "!!merge":
			merges = append(merges, p)
		case repeated:
			r.failAt(p, "given twice: it stands on line %d already", line)
		default:
			first[p.key] = p.line
			pairs = append(pairs, p)
		}
	}
	for _, m := range merges {
		for _, p := range r.merged(m, depth+1) {
			if _, own := first[p.key]; !own {
				first[p.key] = p.line
				pairs = append(pairs, p)
			}
		}
	}
	return pairs, true
}

// merged returns what << brings in: the keys of one mapping, or of several of which the first wins.
func (r *fleetReader) merged(m entry, depth int) []entry {
	n := r.follow(m)
	switch {
	case n == nil:
		return nil
	case depth > maxMergeDepth:
		r.failAt(m, "merges stand within merges more than %d deep", maxMergeDepth)
		return nil
	case n.Kind != yaml.SequenceNode:
		pairs, _ := r.pairsBelow(m, depth)
		return pairs
	}
	var all []entry
	for _, source := range n.Content {
		pairs, _ := r.pairsBelow(entry{m.key, source.Line, source}, depth)
		all = append(all, pairs...)
	}
	return all
}

// items returns the entries of a list.
func (r *fleetReader) items(e entry) []entry {
	n := r.follow(e)
	if n == nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		r.failAt(e, "expected a list, found %s", kindOf(n))
		return nil
	}
	items := make([]entry, len(n.Content))
	for i, c := range n.Content {
		items[i] = entry{e.key, c.Line, c}
	}
	return items
}

// text returns a value as it is written, without quotes.
func (r *fleetReader) text(e entry) (string, bool) {
	n := r.follow(e)
	switch {
	case n == nil:
		return "", false
	case n.Kind != yaml.ScalarNode:
		r.failAt(e, "expected one value, found %s", kindOf(n))
		return "", false
	case isNull(n):
		r.failAt(e, "it has no value: give one, or remove the key")
		return "", false
	}
	return strings.TrimSpace(n.Value), true
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.Tag == "!!null" }

// kindOf names what stands at a node, for errors.
func kindOf(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "keys with values"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Kind == yaml.AliasNode:
		return "an alias"
	case isNull(n):
		return "nothing"
	}
	return quoted(n.Value)
}

// lines tells on which line a mapping has a key; 0 means that it has not.
type lines map[string]int

// readKeys reads a mapping into dst by the table of the keys that it may have.
func readKeys[T any](r *fleetReader, e entry, keys []fleetKey[T], dst *T) lines {
	pairs, ok := r.pairs(e)
	if !ok {
		return nil
	}
	found := make(lines, len(pairs))
	for _, p := range pairs {
		i := slices.IndexFunc(keys, func(k fleetKey[T]) bool { return k.name == p.key })
		if i < 0 {
			r.failAt(p, "%s", unknownKey(p.key, keys))
			continue
		}
		found[p.key] = p.line
		keys[i].read(r, p, dst)
	}
	for _, k := range keys {
		if k.required && found[k.name] == 0 {
			r.fail(e.line, k.name, "missing: %s", k.hint)
		}
	}
	return found
}

func unknownKey[T any](key string, keys []fleetKey[T]) string {
	names := make([]string, len(keys))
	for i, k := range keys {
		names[i] = k.name
	}
	return "unknown key" + suggestion(key, names)
}

// suggestion ends an error about an unknown name with the names that may have been meant.
func suggestion(name string, known []string) string {
	if near, ok := nearest(name, known); ok {
		return ", did you mean " + near + "?"
	}
	if len(known) == 0 {
		return ""
	}
	if len(known) > 12 {
		return "" // a list that long helps nobody
	}
	return ": expected " + strings.Join(known, ", ")
}

// nearest returns the known name with the fewest letters to change, if these are few.
func nearest(name string, known []string) (string, bool) {
	best, fewest := "", 1+max(1, min(len(name), 32)/3)
	for _, k := range known {
		if len(name) > len(k)+fewest || len(k) > len(name)+fewest {
			continue
		}
		if d := editDistance(strings.ToLower(name), strings.ToLower(k)); d < fewest {
			best, fewest = k, d
		}
	}
	return best, best != ""
}

// editDistance is the Levenshtein distance in bytes.
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}
