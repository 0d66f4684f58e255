package view

import (
	"slices"
	"strings"
	"testing"

	"dewline"
)

// TestPatterns: of each installer, and of each model, it is said how many of how many have the same likely
// fault, beside how many of all have it; of each fault, whose the machines are.
func TestPatterns(t *testing.T) {
	c := NewCommons()
	add := func(n int, installer, model string, fault dewline.Fault) {
		for range n {
			c.Add(&dewline.System{Installer: installer, Model: model}, fault)
		}
	}
	add(4, "North Pier", "WA 105", dewline.Overfeed)
	add(1, "North Pier", "WA 105", dewline.Undercharge)
	add(4, "North Pier", "WA 70", "")
	add(20, "South Pier", "WA 70", "")
	add(2, "South Pier", "WA 70", dewline.Overfeed)
	add(3, "", "", dewline.Overfeed)
	var u Idiom
	list, more := c.Patterns(Query{By: ByInstaller}, u)
	if len(list) != 2 || more != 0 {
		t.Fatalf("%+v", list)
	}
	north := list[0] // 5 of 9 before 2 of 22
	if north.Name != "North Pier" || north.Machines != 9 || north.Suspected != 5 || north.Href != "/fleet?installer=North+Pier&by=installer" {
		t.Errorf("%+v", north)
	}
	if s := north.Shares[0]; s.Word != "4 of 9: "+u.FaultWord(dewline.Overfeed)+" (of all machines 9 of 34)" || s.Href != "/fleet?installer=North+Pier&fault=overfeed&by=installer" {
		t.Errorf("%+v", s)
	}
	if list, _ := c.Patterns(Query{By: ByModel}, u); len(list) != 2 || list[0].Name != "WA 105" || list[0].Machines != 5 || list[0].Suspected != 5 || list[1].Suspected != 2 {
		t.Errorf("%+v", list)
	}
	list, _ = c.Patterns(Query{By: ByFault}, u)
	var words []string
	for _, s := range list[0].Shares {
		words = append(words, s.Word)
	}
	if list[0].Machines != 9 || !slices.Equal(words, []string{"4 of the 9 installed by North Pier", "2 of the 22 installed by South Pier", "4 of the 5 of the model WA 105", "2 of the 26 of the model WA 70"}) {
		t.Errorf("%+v %q", list[0], words)
	}
	if list[0].Shares[2].Href != "/fleet?model=WA+105&fault=overfeed&by=model" {
		t.Error(list[0].Shares[2].Href)
	}
	for _, by := range []Grouping{BySite, ByWorst} {
		if list, more := c.Patterns(Query{By: by}, u); list != nil || more != 0 {
			t.Errorf("sites have patterns: %+v", list)
		}
	}
	keys := []string{"", "South Pier", "North Pier"}
	if slices.SortFunc(keys, c.Before(ByInstaller)); !slices.Equal(keys, []string{"North Pier", "South Pier", ""}) {
		t.Errorf("in the order %q", keys)
	}
	many := NewCommons()
	for i := range 100 {
		many.Add(&dewline.System{Installer: strings.Repeat("x", i+1)}, dewline.Overfeed)
	}
	if list, more := many.Patterns(Query{By: ByInstaller}, u); len(list) != mostPatterns || more != 100-mostPatterns {
		t.Errorf("%d and %d more", len(list), more)
	}
}

func TestStanding(t *testing.T) {
	if got := (Idiom{}).Standing(map[dewline.Health]int{dewline.HealthWell: 5, dewline.HealthUrgent: 1}); got != "1 urgent, 5 well" {
		t.Error(got)
	}
	if HealthRank(dewline.HealthUrgent) >= HealthRank(dewline.HealthWell) || HealthRank("none") <= HealthRank(dewline.HealthWell) {
		t.Error("the gravest is not first")
	}
}
