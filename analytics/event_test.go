package analytics

import (
	"context"
	"math/rand/v2"
	"reflect"
	"testing"

	"dewline"
	"dewline/analytics/diagnose"
	"dewline/analytics/sensor"
)

// leaky is a machine that loses charge at once on the fifteenth day, and is put right on the nineteenth.
func leaky(days int) *rig {
	r := newRig("R-32", dewline.TXV, days)
	r.off = func(day float64) (v diagnose.Vector) {
		if day >= 14 && day < 18.5 {
			v[diagnose.Subcooling], v[diagnose.OverAmbient], v[diagnose.LogPower] = -5, -1.4, -0.04
		}
		return v
	}
	return r
}

// TestAServiceRestartsLearning: what was learned stands until there is better, the charts begin anew, and what was
// found ends by the contract's rule.
func TestAServiceRestartsLearning(t *testing.T) {
	r := leaky(22)
	visit := dayAt(18.5)
	r.events = []dewline.Event{{System: rigID, Kind: dewline.Serviced, At: visit}}
	out, y := r.run(t)
	found := onMachine(out)
	if len(found) < 2 {
		t.Fatalf("found\n%s\nwant a low charge and its end", told(found))
	}
	if f := found[0]; f.Detected < dayAt(14) || f.Detected > dayAt(17) || placeOf(f.Causes, dewline.Undercharge) != 1 {
		t.Errorf("found %s by %v, want a low charge within three days", clock(f.Detected), f.Causes)
	}
	last := found[len(found)-1]
	if last.Cleared < visit || last.Cleared > visit+3*24*hour {
		t.Errorf("cleared at %s, want within three days of the visit at %s", clock(last.Cleared), clock(visit))
	}
	tr := &y.Track
	if tr.Visit != visit || tr.Model.Learned() || !tr.Model.Fitted {
		t.Errorf("visit %s, learned %v, fitted %v: want a model that begins anew and a fit that stands", clock(tr.Visit), tr.Model.Learned(), tr.Model.Fitted)
	}
	for i := range tr.Model.Windows {
		if tr.Model.Windows[i].From < visit {
			t.Fatalf("a window of %s was learned, before the visit", clock(tr.Model.Windows[i].From))
		}
	}
	if tr.charted() {
		t.Error("a chart signals after the machine was put right")
	}
}

// TestAMachineThatARepairHasMovedIsLearnedAnew: a charge that was a little too much, and was learned so, is put right.
func TestAMachineThatARepairHasMovedIsLearnedAnew(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 40)
	r.every = 10
	visit := dayAt(14.5)
	r.off = func(day float64) (v diagnose.Vector) {
		if day < 14.5 {
			v[diagnose.Subcooling] = 3.5
		}
		return v
	}
	r.events = []dewline.Event{{System: rigID, Kind: dewline.Serviced, At: visit}}
	out, y := r.run(t)
	if found := onMachine(out); len(found) != 0 {
		t.Errorf("found\n%s", told(found))
	}
	if m := &y.Track.Model; !m.Learned() || y.Track.charted() {
		t.Errorf("25 days after the visit: learned %v of %d windows, charts signal %v", m.Learned(), len(m.Windows), y.Track.charted())
	}
}

// TestNothingIsLearnedFromAFault: a machine that nobody visits is not taken for healthy, however long it goes on.
func TestNothingIsLearnedFromAFault(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 40)
	r.every = 10
	r.off = func(day float64) (v diagnose.Vector) {
		if day >= 14 {
			v[diagnose.Subcooling], v[diagnose.OverAmbient], v[diagnose.LogPower] = -5, -1.4, -0.04
		}
		return v
	}
	out, y := r.run(t)
	for i := range y.Track.Model.Windows {
		if w := &y.Track.Model.Windows[i]; w.From >= dayAt(14.1) {
			t.Fatalf("a window of day %.1f was learned, with a subcooling of %.1f K", w.From.Sub(epoch).Hours()/24, w.Y[diagnose.Subcooling])
		}
	}
	if d := out.Diary[39]; d.NoFault > 0.5 || len(d.Causes) == 0 || d.Causes[0].Fault != dewline.Undercharge {
		t.Errorf("after four weeks of it: %v", d.Causes)
	}
}

// TestALikelyFaultIsWatchedAfterThreeWindows, within hours, and not acted on while that is all there is.
func TestALikelyFaultIsWatchedAfterThreeWindows(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 1)
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Subcooling: -4.4, diagnose.OverAmbient: -1.2, diagnose.LogPower: -0.01}
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected > dayAt(0.125) || placeOf(found[0].Causes, dewline.Undercharge) != 1 {
		t.Errorf("found\n%s\nwant a low charge within three hours", told(found))
	}
	for _, f := range found {
		if f.Severity != dewline.Watch {
			t.Errorf("found\n%s\nwant no more than a watch on the first day", told(found))
		}
	}
}

// TestAPossibleFaultOfAnUnknownMachineIsLookedAt: on its first day and with none before it; that ends when the machine has
// been learned, which it does not keep from happening, and what comes afterwards is told by itself. A machine that has been
// learned gives no such watch.
func TestAPossibleFaultOfAnUnknownMachineIsLookedAt(t *testing.T) {
	const short, air = -3.4, 8 // K
	for _, fromStart := range []bool{true, false} {
		r := newRig("R-410A", dewline.TXV, 16)
		r.off = func(day float64) (v diagnose.Vector) {
			if fromStart || day > 8 && day < 10 {
				v[diagnose.Subcooling] = short
			}
			if fromStart && day > 10 {
				v[diagnose.OverAmbient], v[diagnose.LogPower] = air, 0.2
			}
			return v
		}
		out, y := r.run(t)
		found := onMachine(out)
		if !y.Track.Model.Learned() {
			t.Error("it was never learned")
		}
		if !fromStart {
			for _, f := range found {
				if f.Causes[0].Fault == dewline.NoFault {
					t.Errorf("of a machine that is known found\n%s", told(found))
				}
			}
			continue
		}
		if len(found) < 3 {
			t.Fatalf("found\n%s\nwant a watch, its end and the condenser's air", told(found))
		}
		first, end, last := found[0], found[1], found[len(found)-1]
		if first.Detected > dayAt(1) || first.Severity != dewline.Watch || placeOf(first.Causes, dewline.NoFault) != 1 || placeOf(first.Causes, dewline.Undercharge) != 2 {
			t.Errorf("found\n%s\nwant a watch of the first day, for a low charge, with none before it", told(found))
		}
		if end.Cleared == 0 || end.Cleared > dayAt(10) || end.Cleared < first.Detected+24*hour {
			t.Errorf("found\n%s\nwant the watch to end a day later, and before the tenth", told(found))
		}
		if last.Detected < dayAt(10) || last.Severity == dewline.Watch || placeOf(last.Causes, dewline.CondenserAirflow) != 1 {
			t.Errorf("found\n%s\nwant the condenser's air as an alert of its own", told(found))
		}
	}
}

// TestACondenserFarAboveTheAirIsCalled: hardly any machine is meant to condense 23 K above it.
func TestACondenserFarAboveTheAirIsCalled(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 3)
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.OverAmbient: 11.5, diagnose.LogPower: 0.25}
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected > dayAt(2) || placeOf(found[0].Causes, dewline.CondenserAirflow) != 1 {
		t.Errorf("found\n%s\nwant too little air over the condenser within two days", told(found))
	}
}

// TestGasBehindAReceiverIsALowCharge from the first day, where the coil is short of liquid too; what leaves a full receiver may
// be at its bubble point.
func TestGasBehindAReceiverIsALowCharge(t *testing.T) {
	for _, c := range []struct {
		subcooling float64 // K
		short      bool
	}{{-0.4, true}, {2, false}} {
		r := newRig("R-32", dewline.TXV, 3)
		r.sys.Receiver, r.sys.TargetSubcooling = true, 0
		r.off = func(float64) diagnose.Vector {
			return diagnose.Vector{diagnose.Subcooling: c.subcooling - 5.6, diagnose.Superheat: 6, diagnose.SuctionDew: -4, diagnose.OverAmbient: -2}
		}
		out, _ := r.run(t)
		found := onMachine(out)
		if short := len(found) > 0 && found[0].Detected < dayAt(2) && placeOf(found[len(found)-1].Causes, dewline.Undercharge) == 1; short != c.short {
			t.Errorf("%.1f K of subcooling: found\n%s\nwant a low charge %v", c.subcooling, told(found), c.short)
		}
	}
}

// TestAFaultFromTheFirstDayIsCalled, though there is nothing to compare with but what is usual.
func TestAFaultFromTheFirstDayIsCalled(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 6)
	r.off = func(float64) diagnose.Vector {
		return diagnose.Vector{diagnose.Subcooling: 10, diagnose.OverAmbient: 6.5, diagnose.LogPower: 0.13}
	}
	out, _ := r.run(t)
	found := onMachine(out)
	if len(found) == 0 || found[0].Detected > dayAt(2) || placeOf(found[0].Causes, dewline.Overcharge) != 1 {
		t.Errorf("found\n%s\nwant too much charge within two days", told(found))
	}
}

// TestAReplacedSensorIsBelieved: the doubt goes with the sensor.
func TestAReplacedSensorIsBelieved(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 8)
	last := 0.0
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.Point == dewline.LiquidTemp && s.At >= dayAt(2) && s.At < dayAt(5) {
				s.Value = last
			} else if s.Point == dewline.LiquidTemp {
				last = s.Value
			}
		}
		return all
	}
	r.events = []dewline.Event{{System: rigID, Kind: dewline.SensorReplaced, At: dayAt(5), Note: dewline.LiquidTemp.String()}}
	out, y := r.run(t)
	found := findingsOf(out, dewline.SensorDoubt)
	if len(found) != 2 || found[0].Key != "sensor:liquid_temp" || found[0].Causes[0].Detail != "liquid_temp" {
		t.Fatalf("found\n%s\nwant a doubt about the liquid line's clamp, and its end", told(out.Findings))
	}
	if c := found[1].Cleared; c < dayAt(5) || c > dayAt(5)+2*hour {
		t.Errorf("cleared at %s, want with the new sensor at %s", clock(c), clock(dayAt(5)))
	}
	if len(y.Watch.Doubts) != 0 || len(onMachine(out)) != 0 {
		t.Errorf("doubts %v, machine\n%s", y.Watch.Doubts, told(onMachine(out)))
	}
}

// TestAReplacedSensorLeavesNoFaultBehind: what the old one made of the machine is not of the machine, nor of the new one.
func TestAReplacedSensorLeavesNoFaultBehind(t *testing.T) {
	r := newRig("R-32", dewline.TXV, 18)
	r.change = func(all []dewline.Sample) []dewline.Sample {
		for i := range all {
			if s := &all[i]; s.Point == dewline.OutdoorAirTemp && s.At >= dayAt(13) && s.At < dayAt(17.7) {
				s.Value -= 9
			}
		}
		return all
	}
	r.events = []dewline.Event{{System: rigID, Kind: dewline.SensorReplaced, At: dayAt(17.7), Note: dewline.OutdoorAirTemp.String()}}
	_, y := r.run(t)
	for i := range y.Track.Recent {
		if from := y.Track.Recent[i].From; from < dayAt(17.7) {
			t.Errorf("a window of %s is still judged by", clock(from))
		}
	}
	if y.Track.Odds > doubted {
		t.Errorf("hours later the log odds of a fault are %.1f", y.Track.Odds)
	}
}

// TestADoubtedSensorHidesWhatRestsOnIt: and nothing else.
func TestADoubtedSensorHidesWhatRestsOnIt(t *testing.T) {
	w := watching{Doubts: []sensor.Doubt{{Point: dewline.LiquidTemp, Sure: 1}, {Point: dewline.SuctionTemp}}}
	for s := range diagnose.NumSymptoms {
		if got, want := w.hides(s), s == diagnose.Subcooling; got != want {
			t.Errorf("%s: hidden %v, want %v", s, got, want)
		}
	}
}

// TestResumeWithAModel: saved at any moment of weeks in which a machine was learned, leaked and was put right, an
// engine goes on as if nothing had been: the same findings and the same diary.
func TestResumeWithAModel(t *testing.T) {
	r := leaky(22)
	r.every = 10
	r.events = []dewline.Event{{System: rigID, Kind: dewline.Serviced, At: dayAt(18.5)}}
	all := r.story(t)
	events := eventsOf(r.events)
	want, y := r.run(t)
	if y.Track.Model.Fits[0].N == 0 || len(onMachine(want)) < 2 || len(want.Diary) != 22 {
		t.Fatalf("the story shows too little: %d findings, %d days", len(want.Findings), len(want.Diary))
	}
	rng := rand.New(rand.NewPCG(31, 4))
	for round := range 3 {
		saveAt := len(all)/3 + rng.IntN(len(all)*2/3)
		dieAt := saveAt + rng.IntN(len(all)-saveAt)
		e := newTestEngine(t, r.fleet())
		e.Offer(nil, r.events...)
		e.Offer(all[:saveAt])
		var out Output
		states, err := e.Checkpoint(&out, []dewline.SystemID{rigID})
		if err != nil {
			t.Fatal(err)
		}
		findings, diary := out.Findings, out.Diary
		e = newTestEngine(t, r.fleet())
		if err := e.Resume(t.Context(), newMemoryStore(all[:dieAt]), events, states, nil); err != nil {
			t.Fatal(err)
		}
		e.Offer(all[dieAt:])
		e.Finish()
		e.Drain(&out)
		findings, diary = append(findings, out.Findings...), append(diary, out.Diary...)
		if got := told(findings); got != told(want.Findings) {
			t.Fatalf("round %d, saved at %s, died at %s: got\n%swant\n%s", round, clock(all[saveAt].At), clock(all[dieAt].At), got, told(want.Findings))
		}
		for i := range want.Diary {
			if !reflect.DeepEqual(diary[i], want.Diary[i]) {
				t.Fatalf("round %d, saved at %s: day %d reads\n%+v\nwant\n%+v", round, clock(all[saveAt].At), i, diary[i], want.Diary[i])
			}
		}
	}
}

// TestAllStateIsSaved: encoding/gob passes over unexported fields without a word.
func TestAllStateIsSaved(t *testing.T) {
	var walk func(name string, of reflect.Type)
	seen := map[reflect.Type]bool{reflect.TypeFor[sensor.Watch](): true} // its other fields are made anew, as its own tests say
	walk = func(name string, of reflect.Type) {
		if seen[of] {
			return
		}
		seen[of] = true
		switch of.Kind() {
		case reflect.Struct:
			for i := range of.NumField() {
				f := of.Field(i)
				if !f.IsExported() && !f.Anonymous {
					t.Errorf("%s.%s is not saved", name, f.Name)
				}
				walk(name+"."+f.Name, f.Type)
			}
		case reflect.Array, reflect.Slice, reflect.Pointer:
			walk(name, of.Elem())
		}
	}
	walk("memory", reflect.TypeFor[memory]())
}

// eventsOf is a dewline.Events in memory.
type eventsOf []dewline.Event

func (l eventsOf) RecordEvents(context.Context, []dewline.Event) error { return nil }

func (l eventsOf) EventsOf(_ context.Context, id dewline.SystemID, from, to dewline.Millis) (list []dewline.Event, err error) {
	for _, v := range l {
		if v.System == id && v.At >= from && v.At < to {
			list = append(list, v)
		}
	}
	return list, nil
}
