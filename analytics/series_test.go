package analytics

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"dewline"
)

// memoryRollUps is a dewline.RollUps in memory.
type memoryRollUps struct{ rows []dewline.RollUp }

func (m *memoryRollUps) PutRollUps(_ context.Context, rows []dewline.RollUp) error {
	for _, r := range rows {
		found := false
		for i := range m.rows {
			if o := &m.rows[i]; o.System == r.System && o.Quantity == r.Quantity && o.Start == r.Start {
				*o, found = r, true
			}
		}
		if !found {
			m.rows = append(m.rows, r)
		}
	}
	return nil
}

func (m *memoryRollUps) ReadRollUps(_ context.Context, id dewline.SystemID, quantities []string, from, to dewline.Millis) ([][]dewline.RollUp, error) {
	out := make([][]dewline.RollUp, len(quantities))
	for i, quantity := range quantities {
		for _, r := range m.rows {
			if r.System == id && r.Quantity == quantity && r.Start >= from && r.Start < to {
				out[i] = append(out[i], r)
			}
		}
	}
	return out, nil
}

const hall = dewline.SystemID("quay/hall")

func seriesStore(t *testing.T, days int) (*SeriesStore, *memoryRollUps) {
	fleet := testFleet(t)
	all := story(t, fleet, days*24*60, 5, func(id dewline.SystemID, min int) (moment, bool) {
		m := quiet
		m.sh = 5 + 4*math.Sin(float64(min)/300)
		m.running = min%120 < 80
		return m, id == hall
	})
	e := newTestEngine(t, fleet)
	e.Offer(all)
	var out Output
	e.Drain(&out)
	rolled := &memoryRollUps{rows: out.RollUps}
	return &SeriesStore{Fleet: func() *dewline.Fleet { return fleet }, Readings: newMemoryStore(all), RollUps: rolled}, rolled
}

func TestSeriesAsStored(t *testing.T) {
	s, _ := seriesStore(t, 1)
	got, err := s.ReadSeries(context.Background(), dewline.SeriesQuery{
		System: hall, Quantities: []string{"superheat", "superheat_u", "suction_pressure", "discharge_superheat"}, From: epoch, To: epoch + 60*minute,
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Times) != 12 || got.Times[1] != epoch+5*minute {
		t.Fatalf("times %v, want twelve, five minutes apart", got.Times)
	}
	for i, at := range got.Times {
		want := 5 + 4*math.Sin(float64(at-epoch)/float64(minute)/300)
		if v := got.Columns[0].Values[i]; math.Abs(v-want) > 1e-3 {
			t.Errorf("superheat at %s is %.4f K, want %.4f", clock(at), v, want)
		}
		if u := got.Columns[1].Values[i]; u < 0.3 || u > 0.6 {
			t.Errorf("uncertainty %.3f K, want near 0.4 from 8 kPa, 2 kPa of weather and 0.5 K", u)
		}
		if v := got.Columns[3].Values[i]; !math.IsNaN(v) {
			t.Errorf("discharge superheat %v without a discharge sensor, want none", v)
		}
	}
	if got.Columns[0].Unit != "K" || got.Columns[2].Unit != "Pa" {
		t.Errorf("units %q and %q", got.Columns[0].Unit, got.Columns[2].Unit)
	}
}

// TestRollUpsAgreeWithReadings: what quarter hours answer is what the readings would have answered,
// to the resolution that roll-ups are kept in.
func TestRollUpsAgreeWithReadings(t *testing.T) {
	s, _ := seriesStore(t, 4)
	q := dewline.SeriesQuery{System: hall, Quantities: []string{"superheat", "liquid_pressure", "condensing_over_ambient"}, From: epoch, To: epoch + 4*24*60*minute, Step: time.Hour}
	fast, err := s.ReadSeries(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	s.RollUps = nil
	slow, err := s.ReadSeries(context.Background(), q)
	if err != nil {
		t.Fatal(err)
	}
	if len(fast.Times) != 96 || len(slow.Times) != 96 {
		t.Fatalf("%d and %d rows, want 96", len(fast.Times), len(slow.Times))
	}
	for c := range fast.Columns {
		for i := range fast.Times {
			for k, pair := range [][2]float64{
				{fast.Columns[c].Values[i], slow.Columns[c].Values[i]},
				{fast.Columns[c].Min[i], slow.Columns[c].Min[i]},
				{fast.Columns[c].Max[i], slow.Columns[c].Max[i]},
			} {
				if resolution := 1 / perUnit(fast.Columns[c].Unit); !(math.Abs(pair[0]-pair[1]) <= resolution) {
					t.Fatalf("%s, row %d, kind %d: %v by roll-ups, %v by readings", fast.Columns[c].Quantity, i, k, pair[0], pair[1])
				}
			}
		}
	}
}

// TestRecomputeAfterLateReadings: a roll-up that is made again from the store is the one that the
// engine made, and takes in what came late.
func TestRecomputeAfterLateReadings(t *testing.T) {
	s, rolled := seriesStore(t, 1)
	start := epoch + 240*minute
	all, _ := rolled.ReadRollUps(context.Background(), hall, []string{"superheat"}, start, start+1)
	want := all[0]
	rows, err := s.Recompute(context.Background(), Quarter{hall, start})
	if err != nil {
		t.Fatal(err)
	}
	find := func(rows []dewline.RollUp, name string) dewline.RollUp {
		for _, r := range rows {
			if r.Quantity == name {
				return r
			}
		}
		t.Fatalf("no row of %s", name)
		return dewline.RollUp{}
	}
	if got := find(rows, "superheat"); got != want[0] {
		t.Errorf("made again %+v, want %+v", got, want[0])
	}
	if _, err := s.Readings.Append(context.Background(), []dewline.Sample{{System: hall, Point: dewline.OutdoorAirTemp, At: start + minute, Value: 60}}, nil); err != nil {
		t.Fatal(err)
	}
	if rows, err = s.Recompute(context.Background(), Quarter{hall, start}); err != nil {
		t.Fatal(err)
	}
	if got := find(rows, "outdoor_air_temp"); got.Max != 60 || got.Count != 4 {
		t.Errorf("after a late reading %+v, want 4 readings up to 60", got)
	}
}

func TestSeriesRefuses(t *testing.T) {
	s, _ := seriesStore(t, 1)
	ctx := context.Background()
	_, err := s.ReadSeries(ctx, dewline.SeriesQuery{System: hall, Quantities: []string{"warmth"}, To: 1})
	if dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("unknown quantity: %v, want invalid", err)
	}
	_, err = s.ReadSeries(ctx, dewline.SeriesQuery{System: "quay/attic", Quantities: []string{"superheat"}, To: 1})
	if dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("unknown system: %v, want not found", err)
	}
	_, err = s.ReadSeries(ctx, dewline.SeriesQuery{System: hall, Quantities: []string{"superheat"}, From: epoch, To: epoch + 30*24*60*minute, Step: time.Minute})
	step, ok := errors.AsType[*dewline.StepError](err)
	if !ok || step.Smallest != 5*time.Minute {
		t.Errorf("43,200 rows: %v, want the smallest step of 5 min", err)
	}
}
