package dewline_test

import (
	"fmt"
	"strings"
	"testing"

	"dewline"
)

// BenchmarkReadFleet reads the largest fleet that one service is built for: 20,000 systems.
func BenchmarkReadFleet(b *testing.B) {
	_, one, _ := strings.Cut(example, "    systems:\n")
	head, _, _ := strings.Cut(example, "sites:\n")
	var text strings.Builder
	text.WriteString(head + "sites:\n")
	for site := range 500 {
		fmt.Fprintf(&text, "  - id: site-%d\n    owner: city-buildings\n    timezone: Europe/Lisbon\n    altitude: 12 m\n    systems:\n", site)
		for system := range 40 {
			text.WriteString(strings.Replace(one, "hall-ac", fmt.Sprintf("system-%d", system), 1))
		}
	}
	data := []byte(text.String())
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := dewline.ReadFleet("fleet.yaml", data, facts{}); err != nil {
			b.Fatal(err)
		}
	}
}
