package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"

	"dewline"
	"dewline/analytics/cycle"
	"dewline/thermo/plant"
)

// simulateSignaturesCommand writes what each fault does to the seven symptoms of diagnosis, as the plant
// has it: the fault with its severity against the same machine healthy under the same conditions, as
// mean and standard deviation over machines and conditions.
type simulateSignaturesCommand struct {
	Out string `default:"analytics/diagnose/signatures.csv" placeholder:"FILE" help:"Where the table goes (${default})."`
}

// Run writes the table.
func (c *simulateSignaturesCommand) Run(ctx context.Context, std *streams) error {
	rows, err := signatureRows(ctx, signatureGroups())
	if err != nil {
		return err
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := w.WriteAll(append([][]string{signatureHead()}, rows...)); err != nil {
		return err
	}
	if err := os.WriteFile(c.Out, b.Bytes(), 0o644); err != nil {
		return err
	}
	fmt.Fprintf(std.out, "%s: %s\n", c.Out, counted(len(rows), "row"))
	return nil
}

// The symptoms, in the order of package diagnose: superheat, subcooling, suction dew temperature,
// condensing over ambient, discharge excess, air split (K) and ln of compressor power.
const numSymptoms = 7

var symptomNames = [numSymptoms]string{"sh", "sc", "te", "coa", "dx", "split", "lnp"}

func signatureHead() []string {
	head := append([]string{"group", "fault", "detail", "severity", "machines"}, symptomNames[:]...)
	for _, name := range symptomNames {
		head = append(head, "sd_"+name)
	}
	return append(head, "case", "note")
}

// signatureGroup is machines that answer to faults alike.
type signatureGroup struct {
	name   string
	specs  []plant.Spec
	faults []signatureFault
	notes  map[string]string // by fault, or fault/detail: how the plant is known to differ from what is published
}

// signatureFault is a fault with its levels.
type signatureFault struct {
	fault, detail, variant string
	levels                 []float64
	set                    func(f *plant.Faults, level float64, s *signatureState)
	seek                   float64 // where solve is set: the superheat that the charge is raised for, K; below zero: that of the healthy machine
	solve                  bool
}

func plainFault(fault, detail string, set func(*plant.Faults, float64), levels ...float64) signatureFault {
	return signatureFault{fault: fault, detail: detail, levels: levels, set: func(f *plant.Faults, v float64, _ *signatureState) { set(f, v) }}
}

// pairFault is two faults that grow together; the severity is the first's.
func pairFault(fault string, second func(*plant.Faults, float64), levels []float64, of []float64) signatureFault {
	return signatureFault{fault: fault, levels: levels, set: func(f *plant.Faults, v float64, _ *signatureState) {
		f.Charge -= v
		for i, l := range levels {
			if l == v {
				second(f, of[i])
			}
		}
	}}
}

// wrapped is the note on loose bulbs.
const wrapped = "the plant's bulb stays wrapped and feels at most a third of the air's warmth; one that hangs free floods the coil"

func signatureGroups() []signatureGroup {
	orifice, capillary, valve, electronic := plant.Orifice, plant.CapillaryTube, plant.ThermostaticValve, plant.ElectronicValve
	fixed := func(m plant.MeteringKind, c plant.CompressorKind, refrigerant string, kW, superheat, subcooling, line float64) plant.Spec {
		return plant.Spec{Refrigerant: refrigerant, Metering: m, Compressor: c, CapacityW: 1000 * kW, SuperheatK: superheat, SubcoolingK: subcooling, LineM: line}
	}
	cold := func(m plant.MeteringKind, c plant.CompressorKind, refrigerant string, kW, roomC, superheat, subcooling float64) plant.Spec {
		s := plant.Spec{Refrigerant: refrigerant, Metering: m, Compressor: c, CapacityW: 1000 * kW, Cold: true, RatedIndoorC: roomC, SuperheatK: superheat, SubcoolingK: subcooling}
		if roomC < -10 {
			s.RatedIndoorRH = 80
		}
		return s
	}
	each := func(specs []plant.Spec, change func(*plant.Spec, int)) []plant.Spec {
		for i := range specs {
			change(&specs[i], i)
		}
		return specs
	}
	coldValves := func() []plant.Spec {
		return []plant.Spec{
			cold(valve, plant.Reciprocating, "R-134a", 4, 2, 4.5, 3),
			cold(valve, plant.Reciprocating, "R-448A", 6, 2, 5, 3),
			cold(valve, plant.Scroll, "R-449A", 9, 3, 4, 4),
			cold(electronic, plant.Scroll, "R-513A", 5, 1, 5, 3),
			cold(valve, plant.Reciprocating, "R-404A", 3, 4, 5, 2.5),
			cold(valve, plant.Reciprocating, "R-449A", 6, -20, 4.5, 3),
			cold(valve, plant.Scroll, "R-404A", 5, -22, 5, 3),
			cold(electronic, plant.Reciprocating, "R-448A", 8, -18, 5, 3.5),
		}
	}
	return []signatureGroup{
		{name: "orifice", faults: append(fixedFaults(true), maskedBores()...), notes: map[string]string{
			"undercharge": "the plant loses more than the rooftop fit of NREL/SR-5500-65030 (capacity at 20 %: 0.83 against 0.88), as much as Kim and Braun 2012 at 25 %",
		}, specs: each([]plant.Spec{
			fixed(orifice, plant.Scroll, "R-410A", 10.5, 8, 5.6, 8),
			fixed(orifice, plant.Scroll, "R-410A", 7, 9, 5, 12),
			fixed(orifice, plant.Reciprocating, "R-22", 10.5, 8, 6, 8),
			fixed(orifice, plant.Scroll, "R-410A", 14, 7, 7, 20),
			fixed(orifice, plant.Scroll, "R-454B", 9, 8, 5, 10),
			fixed(orifice, plant.Rotary, "R-32", 7, 9, 5.6, 6),
			fixed(orifice, plant.Scroll, "R-407C", 12, 10, 6, 8),
			fixed(orifice, plant.Scroll, "R-410A", 17.5, 8, 4.5, 5),
			fixed(orifice, plant.Reciprocating, "R-22", 5.3, 10, 5, 10),
		}, func(s *plant.Spec, i int) {
			s.CondensingC = 35 + []float64{11.5, 14, 15, 10, 12, 9.5, 12.5, 11, 16}[i]
			s.EvaporatingC = []float64{8.5, 7, 6.5, 9.5, 8.5, 9, 8, 7.5, 6}[i]
		})},
		{name: "capillary", faults: fixedFaults(false), notes: map[string]string{
			"overcharge": "the plant gains capacity where laboratory work found a loss of 1 to 9 % at 10 % (Home Energy 5/2002)",
		}, specs: each([]plant.Spec{
			fixed(capillary, plant.Rotary, "R-410A", 5, 8, 5.6, 4),
			fixed(capillary, plant.Rotary, "R-410A", 3.5, 7, 5, 4),
			fixed(capillary, plant.Rotary, "R-32", 3.5, 8, 6, 5),
			fixed(capillary, plant.Rotary, "R-407C", 5, 7, 5, 3),
			fixed(capillary, plant.Rotary, "R-22", 4, 9, 6, 4),
			fixed(capillary, plant.Rotary, "R-454B", 3.5, 8, 5, 5),
			fixed(capillary, plant.Scroll, "R-410A", 7, 9, 7, 8),
			fixed(capillary, plant.Rotary, "R-32", 2.6, 10, 4.5, 3),
		}, func(s *plant.Spec, i int) {
			s.CondensingC = 35 + []float64{12, 14, 10.5, 13, 15, 11, 10, 12}[i]
			s.EvaporatingC = []float64{8.5, 7.5, 9.5, 8, 7, 9, 8, 6.5}[i]
		})},
		{name: "valve", faults: valveFaults(true), notes: map[string]string{
			"undercharge":         "the plant loses half of the capacity of the NIST charge correlation at 20 and 30 % (0.94 and 0.89 against 0.89 and 0.80)",
			"overfeed/bulb_loose": wrapped,
		}, specs: each([]plant.Spec{
			fixed(valve, plant.Scroll, "R-410A", 10.5, 5.5, 5.6, 8),
			fixed(valve, plant.Scroll, "R-454B", 8, 5.5, 5, 10),
			fixed(electronic, plant.Rotary, "R-32", 7, 5, 5.6, 6),
			fixed(valve, plant.Scroll, "R-407C", 21, 6, 5, 5),
			fixed(electronic, plant.Scroll, "R-410A", 17.5, 6, 7, 20),
			fixed(valve, plant.Reciprocating, "R-22", 10.5, 5.5, 6, 8),
			fixed(valve, plant.Scroll, "R-32", 12, 5, 6.5, 12),
			fixed(electronic, plant.Scroll, "R-454B", 14, 5, 5, 15),
			fixed(valve, plant.Scroll, "R-410A", 7, 7, 4.5, 10),
		}, func(s *plant.Spec, i int) {
			s.CondensingC = 35 + []float64{11.5, 12, 9.5, 13, 10, 15, 10.5, 11, 14}[i]
			s.EvaporatingC = []float64{8.5, 8, 9.5, 8, 7.5, 7, 9, 8.5, 6.5}[i]
		})},
		{name: "cold_valve_receiver", faults: receiverFaults(), notes: map[string]string{"overfeed/bulb_loose": wrapped}, specs: each(coldValves(), func(s *plant.Spec, i int) {
			s.Receiver = true
			if i%2 == 0 {
				s.HeadControlC = 28
			}
		})},
		{name: "cold_capillary", faults: fixedFaults(false), specs: []plant.Spec{
			cold(capillary, plant.Reciprocating, "R-290", 1.6, 4, 6, 5),
			cold(capillary, plant.Reciprocating, "R-134a", 1, 3, 6, 4),
			cold(capillary, plant.Reciprocating, "R-290", 0.8, -20, 6, 4),
			cold(capillary, plant.Reciprocating, "R-404A", 1.5, -20, 5, 4),
			cold(capillary, plant.Reciprocating, "R-513A", 1.2, 2, 6, 5),
			cold(capillary, plant.Reciprocating, "R-134a", 2, 5, 5.5, 5),
			cold(capillary, plant.Rotary, "R-290", 1.2, 1, 5, 4),
			cold(capillary, plant.Reciprocating, "R-404A", 1.2, 3, 5.5, 5),
		}},
		{name: "cold_valve", faults: valveFaults(false), notes: map[string]string{"overfeed/bulb_loose": wrapped}, specs: coldValves()},
	}
}

// What a severity sets, in the plant's terms.
var (
	less       = func(f *plant.Faults, v float64) { f.Charge -= v }
	more       = func(f *plant.Faults, v float64) { f.Charge += v }
	drier      = func(f *plant.Faults, v float64) { f.LineRestriction = v }
	plugged    = func(f *plant.Faults, v float64) { f.Plugged = v }
	smaller    = func(f *plant.Faults, v float64) { f.Bore = -v }
	larger     = func(f *plant.Faults, v float64) { f.Bore = v }
	evaporator = func(f *plant.Faults, v float64) { f.EvaporatorAir = v }
	condenser  = func(f *plant.Faults, v float64) { f.CondenserAir = v }
	foreign    = func(f *plant.Faults, v float64) { f.NonCondensables = v }
	leaking    = func(f *plant.Faults, v float64) { f.CompressorLeak = v }
	reversing  = func(f *plant.Faults, v float64) { f.ReversingLeak = v }
	loose      = func(f *plant.Faults, v float64) { f.BulbLoose = v }
)

func commonFaults() []signatureFault {
	return []signatureFault{
		plainFault("evaporator_airflow", "", evaporator, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8),
		plainFault("condenser_airflow", "", condenser, 0.1, 0.2, 0.3, 0.45, 0.6),
		plainFault("noncondensables", "", foreign, 0.15, 0.3, 0.6, 1),
		plainFault("compressor_leakage", "", leaking, 0.05, 0.1, 0.2, 0.3, 0.4),
	}
}

func chargeFaults(most ...float64) []signatureFault {
	return []signatureFault{
		plainFault("undercharge", "", less, append([]float64{0.05, 0.1, 0.2, 0.3, 0.4}, most...)...),
		plainFault("overcharge", "", more, 0.1, 0.2, 0.35, 0.5),
		pairFault("undercharge+condenser_airflow", condenser, []float64{0.1, 0.2, 0.3}, []float64{0.2, 0.35, 0.5}),
		pairFault("undercharge+evaporator_airflow", evaporator, []float64{0.1, 0.2, 0.3}, []float64{0.2, 0.35, 0.5}),
	}
}

var reversingFault = plainFault("reversing_valve", "", reversing, 0.03, 0.06, 0.1, 0.15)

// fixedFaults are those of an orifice or a capillary.
func fixedFaults(bored bool) []signatureFault {
	all := append(chargeFaults(), commonFaults()...)
	all = append(all,
		plainFault("restriction", "drier", drier, 0.1, 0.25, 0.5, 0.8, 1.2),
		plainFault("restriction", "plugged", plugged, 0.1, 0.2, 0.3, 0.45, 0.6))
	if bored {
		all = append(all,
			plainFault("restriction", "orifice_too_small", smaller, 0.05, 0.1, 0.15, 0.2),
			plainFault("overfeed", "orifice_too_large", larger, 0.05, 0.1, 0.15, 0.2),
			reversingFault)
	}
	return all
}

// maskedBores are the pair that a bore too small invites: charge added by someone who chases superheat,
// until it is where it was or until there is none.
func maskedBores() []signatureFault {
	bore := func(f *plant.Faults, v float64, _ *signatureState) { f.Bore = -v }
	levels := []float64{0.05, 0.1, 0.15, 0.2}
	return []signatureFault{
		{fault: "restriction+overcharge", detail: "orifice_too_small", variant: "superheat_restored", levels: levels, set: bore, solve: true, seek: -1},
		{fault: "restriction+overcharge", detail: "orifice_too_small", variant: "superheat_zero", levels: levels, set: bore, solve: true, seek: 0.1},
	}
}

// valveFaults are those of a TXV or EEV. A valve that is stuck is stuck at so much less or more than the
// conditions call for.
func valveFaults(comfort bool) []signatureFault {
	all := append(chargeFaults(0.5, 0.6), commonFaults()...)
	all = append(all, valveOwn()...)
	if comfort {
		all = append(all, reversingFault)
	}
	return all
}

func valveOwn() []signatureFault {
	stuck := func(sign float64) func(*plant.Faults, float64, *signatureState) {
		return func(f *plant.Faults, v float64, s *signatureState) { f.StuckAt = min(s.healthy.Opening*(1+sign*v), 1) }
	}
	return []signatureFault{
		plainFault("restriction", "drier", drier, 0.1, 0.25, 0.5, 0.8, 1.2),
		{fault: "restriction", detail: "valve_stuck", levels: []float64{0.1, 0.2, 0.3, 0.45, 0.6}, set: stuck(-1)},
		{fault: "overfeed", detail: "valve_stuck", levels: []float64{0.1, 0.2, 0.35, 0.5}, set: stuck(+1)},
		plainFault("overfeed", "bulb_loose", loose, 0.2, 0.5, 0.8, 0.95),
	}
}

// receiverFaults are those of a valve fed from a receiver, which gives up much charge before it shows.
func receiverFaults() []signatureFault {
	all := []signatureFault{
		plainFault("undercharge", "", less, 0.2, 0.4, 0.5, 0.6, 0.75, 0.9),
		plainFault("overcharge", "", more, 0.1, 0.2, 0.35, 0.5),
		pairFault("undercharge+condenser_airflow", condenser, []float64{0.4, 0.6, 0.75}, []float64{0.2, 0.35, 0.5}),
		pairFault("undercharge+evaporator_airflow", evaporator, []float64{0.4, 0.6, 0.75}, []float64{0.2, 0.35, 0.5}),
	}
	return append(append(all, commonFaults()...), valveOwn()...)
}

// signatureState is a healthy machine under conditions.
type signatureState struct {
	plant      *plant.Machine
	cycle      *cycle.Machine
	conditions plant.Conditions
	healthy    plant.Steady
	symptoms   [numSymptoms]float64
}

// shifts is how a level moved the symptoms of one machine, one row for each of its conditions; NaN where
// a symptom does not exist, no row where the machine would not run.
type shifts [][numSymptoms]float64

// signatureRows solves every machine of the groups. The rows come in the order of the groups' faults,
// whatever machine is done first.
func signatureRows(ctx context.Context, groups []signatureGroup) ([][]string, error) {
	moved := make([][][]shifts, len(groups)) // by group, machine and level
	failed := make([][]error, len(groups))
	var work sync.WaitGroup
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for g, group := range groups {
		moved[g], failed[g] = make([][]shifts, len(group.specs)), make([]error, len(group.specs))
		for i, spec := range group.specs {
			free <- struct{}{}
			work.Go(func() {
				defer func() { <-free }()
				var err error
				if moved[g][i], err = machineShifts(ctx, spec, group.faults); err != nil {
					failed[g][i] = fmt.Errorf("%s, machine %d (%s): %w", group.name, i+1, spec.Refrigerant, err)
				}
			})
		}
	}
	work.Wait()
	if err := errors.Join(slices.Concat(failed...)...); err != nil {
		return nil, err
	}
	var rows [][]string
	for g, group := range groups {
		n := 0
		for _, f := range group.faults {
			for _, level := range f.levels {
				var of []shifts
				for i := range group.specs {
					of = append(of, moved[g][i][n])
				}
				n++
				if row := signatureRow(group, f, level, of); row != nil {
					rows = append(rows, row)
				}
			}
		}
	}
	return rows, nil
}

// machineShifts solves one machine under all conditions with every level of every fault.
func machineShifts(ctx context.Context, spec plant.Spec, faults []signatureFault) ([]shifts, error) {
	m, err := plant.Design(spec)
	if err != nil {
		return nil, err
	}
	cyc, err := cycle.NewMachine(&dewline.System{ID: "plant/machine", Refrigerant: spec.Refrigerant}, &dewline.Site{ID: "plant"})
	if err != nil {
		return nil, err
	}
	levels := 0
	for _, f := range faults {
		levels += len(f.levels)
	}
	all := make([]shifts, levels)
	for _, c := range signatureConditions(m) {
		s := signatureState{plant: m, cycle: cyc, conditions: c}
		if s.healthy, err = m.Solve(c); err != nil {
			return nil, fmt.Errorf("healthy at %.0f °C outdoors: %w", c.OutdoorC, err)
		}
		s.symptoms = s.of(&s.healthy)
		n := 0
		for _, f := range faults {
			near := s.healthy
			for _, level := range f.levels {
				if err := ctx.Err(); err != nil {
					return nil, err
				}
				if moved, ok := s.with(f, level, &near); ok {
					all[n] = append(all[n], moved)
				}
				n++
			}
		}
	}
	return all, nil
}

// signatureConditions are a mild, a warm and a hot day, each with its load.
func signatureConditions(m *plant.Machine) []plant.Conditions {
	at := func(outC, inC, rh float64) plant.Conditions {
		c := m.Rating()
		c.OutdoorC, c.IndoorC, c.IndoorRatio = outC, inC, m.HumidityRatio(inC, rh)
		return c
	}
	if m.Spec.Cold {
		room, rh := m.Spec.RatedIndoorC, m.Spec.RatedIndoorRH
		return []plant.Conditions{at(20, room-0.5, rh), at(28, room, rh), at(36, room+1, rh)}
	}
	return []plant.Conditions{at(26, 24.5, 55), at(33, 25.5, 52), at(39, 26.5, 50)}
}

// of returns the symptoms of a state. The clamp of superheat is a perfect one, which reads no less than
// the dew temperature where liquid passes.
func (s *signatureState) of(st *plant.Steady) [numSymptoms]float64 {
	superheat := max(st.SuperheatK, 0)
	excess := math.NaN()
	if usual, ok := s.cycle.DischargeSuperheatAt(st.EvaporatingK-celsiusZero, st.CondensingK-celsiusZero, superheat); ok {
		excess = max(st.DischargeK-celsiusZero-s.plant.DewC(st.DischargePa), 0) - usual
	}
	return [numSymptoms]float64{superheat, st.SubcoolingK, st.EvaporatingK, st.CondensingK - celsiusZero - s.conditions.OutdoorC, excess,
		s.conditions.IndoorC - st.SupplyC, math.Log(st.CompressorW)}
}

const celsiusZero = 273.15 // K

// with returns how a level of a fault moves the symptoms, and leaves the state in near for the next. A
// machine that trips or finds no steady state moves nothing.
func (s *signatureState) with(f signatureFault, level float64, near *plant.Steady) (moved [numSymptoms]float64, ok bool) {
	c := s.conditions
	f.set(&c.Faults, level, s)
	st, err := s.plant.SolveNear(c, near)
	if err == nil && f.solve {
		want := f.seek
		if want < 0 {
			want = s.healthy.SuperheatK
		}
		st, err = s.chargeFor(c, want, &st)
	}
	if err != nil {
		return moved, false
	}
	*near = st
	moved = s.of(&st)
	for k := range moved {
		moved[k] -= s.symptoms[k]
	}
	return moved, true
}

var errNotReached = errors.New("no charge brings the superheat there")

// chargeFor raises the charge until the superheat has come down to what is wanted.
func (s *signatureState) chargeFor(c plant.Conditions, wantK float64, near *plant.Steady) (plant.Steady, error) {
	low, high, step := c.Faults.Charge, c.Faults.Charge, 0.04
	st := *near
	for st.SuperheatK > wantK {
		low, high = high, high+step
		if high > 1.5 {
			return st, errNotReached
		}
		c.Faults.Charge = high
		var err error
		if st, err = s.plant.SolveNear(c, &st); err != nil {
			return st, err
		}
	}
	for range 12 {
		c.Faults.Charge = (low + high) / 2
		mid, err := s.plant.SolveNear(c, &st)
		if err != nil {
			return mid, err
		}
		if mid.SuperheatK > wantK {
			low = c.Faults.Charge
		} else {
			high, st = c.Faults.Charge, mid
		}
	}
	return st, nil
}

// signatureRow is the mean and standard deviation of a level over machines and conditions; nil where fewer
// than half of the machines run with it.
func signatureRow(group signatureGroup, f signatureFault, level float64, of []shifts) []string {
	machines := 0
	var sum, square, n [numSymptoms]float64
	for _, one := range of {
		if len(one) > 0 {
			machines++
		}
		for _, moved := range one {
			for k, v := range moved {
				if !math.IsNaN(v) {
					n[k]++
					sum[k] += v
					square[k] += v * v
				}
			}
		}
	}
	if 2*machines < len(of) {
		return nil
	}
	row := []string{group.name, f.fault, f.detail, strconv.FormatFloat(level, 'g', -1, 64), strconv.Itoa(machines)}
	var spreads []string
	for k := range numSymptoms {
		if n[k] < 2 {
			row, spreads = append(row, ""), append(spreads, "")
			continue
		}
		mean := sum[k] / n[k]
		sd := math.Sqrt(max(square[k]/n[k]-mean*mean, 0) * n[k] / (n[k] - 1))
		row, spreads = append(row, symptomText(k, mean)), append(spreads, symptomText(k, sd))
	}
	note := group.notes[f.fault]
	if f.detail != "" {
		note = group.notes[f.fault+"/"+f.detail]
	}
	return append(append(row, spreads...), f.variant, note)
}

// symptomText writes kelvins to a hundredth and the logarithm to a ten-thousandth.
func symptomText(k int, v float64) string {
	digits := 2
	if k == numSymptoms-1 {
		digits = 4
	}
	text := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Trim(text, "-0.") == "" {
		return "0"
	}
	return text
}
