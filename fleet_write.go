package dewline

import (
	"bytes"

	"go.yaml.in/yaml/v3"
)

// Marshal returns the fleet as a fleet file. Read back, it gives an equal fleet; comments, US units
// and the order of keys of a file that the fleet was read from are not kept.
func (f *Fleet) Marshal() ([]byte, error) {
	var out bytes.Buffer
	encoder := yaml.NewEncoder(&out)
	encoder.SetIndent(2)
	if err := encoder.Encode(mappingOf(&fleetText{f.Owners, f.Sites}, fleetKeys, 0)); err != nil {
		return nil, &Error{Code: Internal, Op: "write the fleet file", Err: err}
	}
	if err := encoder.Close(); err != nil {
		return nil, &Error{Code: Internal, Op: "write the fleet file", Err: err}
	}
	return out.Bytes(), nil
}

// mappingOf returns what the table writes of v.
func mappingOf[T any](v *T, keys []fleetKey[T], style yaml.Style) *yaml.Node {
	m := &yaml.Node{Kind: yaml.MappingNode, Style: style}
	for _, k := range keys {
		if n := k.write(v); n != nil {
			m.Content = append(m.Content, textNode(k.name), n)
		}
	}
	if len(m.Content) == 0 {
		m.Style = yaml.FlowStyle // {}
	}
	return m
}

// listOf returns a list of what the table writes of each value.
func listOf[T any](values []T, keys []fleetKey[T], style yaml.Style) *yaml.Node {
	list := &yaml.Node{Kind: yaml.SequenceNode}
	for i := range values {
		list.Content = append(list.Content, mappingOf(&values[i], keys, style))
	}
	if len(values) == 0 {
		list.Style = yaml.FlowStyle // []
	}
	return list
}

// textNode is a text, quoted where YAML would take it for something else.
func textNode(text string) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: text}
}

// plainNode is a number, a date or a truth, never quoted.
func plainNode(text string) *yaml.Node {
	return &yaml.Node{Kind: yaml.ScalarNode, Value: text}
}
