package diagnose

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"dewline"
)

// Level is how far a fault of one severity moves the symptoms of a machine, against the same machine when
// healthy under the same conditions: the mean over machines and conditions, and their spread.
//
// Severities are shares: of the design charge lost or added, of the bore, of the air or of the compressor's
// flow lost, of a metering area or a bulb's contact lost; for a valve stuck, how much less or more open it
// is than the conditions call for; for a drier, its drop over that from condenser to evaporator; for
// non-condensables, air in condenser volumes at one atmosphere. That of a pair is its first fault's.
type Level struct {
	Severity float64
	Mean, SD Vector
}

// Signature is the way that a fault takes through the symptoms as it grows from nothing.
type Signature struct {
	Fault  dewline.Fault
	Detail string
	Also   dewline.Fault // the other fault of a pair, "" for a single one
	Case   string        // tells signatures of one pair apart: how far the second fault hides the first
	Levels []Level       // by rising severity
}

// Signatures returns what is known of the faults of a group of machines (see Group), in a fixed order, nil
// for an unknown group. They belong to the package and are not to be changed.
func Signatures(group string) []Signature { return signatures()[group] }

// signatureTable is written by "dewline simulate signatures" and holds what the physical model of
// thermo/plant says, unchanged.
//
//go:embed signatures.csv
var signatureTable string

var signatures = sync.OnceValue(func() map[string][]Signature {
	table, err := parseSignatures(signatureTable)
	if err != nil {
		panic(fmt.Sprintf("signatures.csv: %v", err)) // it is embedded, and a test reads it
	}
	for group, all := range table {
		correct(group, all)
	}
	return table
})

// correction brings a signature of the plant toward what has been published, where the two differ and the
// published figure is the better one. The table of the plant stays as it is.
type correction struct {
	group         string
	fault         dewline.Fault
	detail        string
	severityScale float64 // the published severity at which machines do what the plant does at 1; 0: no change
	slope         Vector  // added to the means per unit of severity
	upTo          float64 // severity beyond which that grows no further
	like          string  // the signature of this other detail is taken instead
	source        string
}

var corrections = []correction{
	{group: "valve", fault: dewline.Undercharge, severityScale: 1 / 1.5, slope: Vector{LogPower: 0.06}, upTo: 0.6,
		source: "NIST charge correlation (Domanski): capacity 0.956, 0.888 and 0.798 at 10, 20 and 30 % short; the plant's machines get there at 15, 30 and 40 %, " +
			"with less power than the published 0.990, 0.978 and 0.964 (fans included). " +
			"ASHRAE RP-1173, as summed up by a national laboratory: machines with a TXV hold to about 80 % of charge, where the valve is fully open"},
	{group: "orifice", fault: dewline.Undercharge, severityScale: 1 / 0.9,
		source: "NREL/SR-5500-65030 has capacity 0.948, 0.880 and 0.797 at 10, 20 and 30 % short, which the plant reaches at 9, 16 and 24 %; Kim and Braun 2012 " +
			"(-20 % at 25 %) agrees with the plant; half-way between the two"},
	{group: "capillary", fault: dewline.Overcharge, slope: Vector{AirSplit: -5}, upTo: 0.1,
		source: "Home Energy May/June 2002: capacity 1 to 9 % less at 10 % over, where the plant gains 3 %; 8 % of capacity are 0.9 K of air split, of which half is taken, " +
			"since the machines behind the figures are not described"},
	{group: "orifice", fault: dewline.CondenserAirflow, slope: Vector{Subcooling: -1, LogPower: 0.09}, upTo: 1,
		source: "rooftop unit on a field research platform, 2017: subcooling -0.1 and -0.6 K at 28 and 58 % blocked; the rule table of a Purdue rooftop report has it falling too. " +
			"Compressor power there 1.13 and 1.35, in the fit of NREL/SR-5500-65030 1.09 and 1.22 (with fans) at 30 and 50 %; the plant has 1.07 and 1.22 at 30 and 58 %; half-way to the field"},
	{group: "capillary", fault: dewline.CondenserAirflow, slope: Vector{Subcooling: -1, LogPower: 0.09}, upTo: 1,
		source: "as for orifice: a capillary is as fixed"},
	{group: "cold_valve_receiver", fault: dewline.NonCondensables, slope: Vector{Subcooling: 2}, upTo: 1,
		source: "fault tables for a TXV: air raises the apparent subcooling, because the pressure carries the air's share, by 4 K where the plant has no receiver and not at all where it " +
			"has one; half-way between the two"},
	{group: "cold_valve_receiver", fault: dewline.CondenserAirflow, slope: Vector{Subcooling: 1.5}, upTo: 0.6,
		source: "NIST 14/16 SEER campaign: a blocked condenser raises subcooling on a unit with a TXV; the plant's receiver is always at saturation and has nothing of it; as for air, about " +
			"half of what its machines without a receiver do, and as much for doubt"},
	{group: "cold_valve", fault: dewline.Overfeed, detail: "bulb_loose", like: "valve_stuck",
		source: "common practice: a bulb that has come off hangs in air warmer than the suction line, and the valve opens; the plant's bulb stays wrapped and feels little of a cold room's air"},
	{group: "cold_valve_receiver", fault: dewline.Overfeed, detail: "bulb_loose", like: "valve_stuck",
		source: "as for cold_valve"},
}

func correct(group string, all []Signature) {
	for _, c := range corrections {
		if c.group != group {
			continue
		}
		i := slices.IndexFunc(all, func(s Signature) bool { return s.Fault == c.fault && s.Detail == c.detail && s.Also == "" })
		if i < 0 {
			panic(fmt.Sprintf("signatures.csv has no %s, %s %s to correct", group, c.fault, c.detail))
		}
		if c.like != "" {
			j := slices.IndexFunc(all, func(s Signature) bool { return s.Fault == c.fault && s.Detail == c.like && s.Also == "" })
			all[i].Levels = slices.Clone(all[j].Levels)
		}
		for l := range all[i].Levels {
			c.apply(&all[i].Levels[l])
		}
	}
}

// apply corrects a level. Its spread grows by what is added: a source that contradicts the plant makes
// neither of them certain.
func (c *correction) apply(l *Level) {
	for s, slope := range c.slope {
		by := slope * min(l.Severity, c.upTo)
		l.Mean[s] += by
		l.SD[s] = math.Hypot(l.SD[s], by)
	}
	if c.severityScale != 0 {
		l.Severity *= c.severityScale
	}
}

// parseSignatures reads the table. Levels of one signature stand together in it, by rising severity.
func parseSignatures(text string) (map[string][]Signature, error) {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		return nil, err
	}
	if len(rows) < 2 || !slices.Equal(rows[0], signatureColumns()) {
		return nil, fmt.Errorf("its columns are not %s: write it anew with dewline simulate signatures", strings.Join(signatureColumns(), ","))
	}
	const severity, means, spreads = 3, 5, 5 + int(NumSymptoms)
	table := map[string][]Signature{}
	for n, r := range rows[1:] {
		fault, also, _ := strings.Cut(r[1], "+")
		is := Signature{Fault: dewline.Fault(fault), Detail: r[2], Also: dewline.Fault(also), Case: r[spreads+int(NumSymptoms)]}
		var level Level
		var failed error
		number := func(cell string) float64 {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil && failed == nil {
				failed = fmt.Errorf("row %d: %w", n+2, err)
			}
			return v
		}
		level.Severity = number(r[severity])
		for s := range NumSymptoms {
			level.Mean[s], level.SD[s] = number(r[means+int(s)]), number(r[spreads+int(s)])
		}
		if failed != nil {
			return nil, failed
		}
		all := table[r[0]]
		last := len(all) - 1
		if last < 0 || all[last].Fault != is.Fault || all[last].Detail != is.Detail || all[last].Also != is.Also || all[last].Case != is.Case {
			all, last = append(all, is), last+1
		}
		all[last].Levels = append(all[last].Levels, level)
		table[r[0]] = all
	}
	return table, nil
}

func signatureColumns() []string {
	names := []string{"sh", "sc", "te", "coa", "dx", "split", "lnp"} // in the order of Symptom
	columns := append([]string{"group", "fault", "detail", "severity", "machines"}, names...)
	for _, name := range names {
		columns = append(columns, "sd_"+name)
	}
	return append(columns, "case", "note")
}
