package sqlstore

import (
	"fmt"
	"math"
	"testing"

	"dewline"
)

// fleetRows are the roll-ups that systems make in the 15 minutes from start, rounded as analytics
// rounds them.
func fleetRows(systems int, start dewline.Millis) []dewline.RollUp {
	quantities := [...]string{"superheat", "subcooling", "suction_pressure", "liquid_pressure", "suction_temp", "outdoor_air_temp"}
	rows := make([]dewline.RollUp, 0, systems*len(quantities))
	for i := range systems {
		id := dewline.SystemID(fmt.Sprintf("site-%d/system-%d", i/10, i))
		for j, quantity := range quantities {
			mean := math.Round((6+3*math.Sin(float64(start/spanMillis+dewline.Millis(i*j))/15))*1000) / 1000
			rows = append(rows, dewline.RollUp{System: id, Quantity: quantity, Start: start, Mean: mean,
				Min: math.Round((mean-1.237)*1000) / 1000, Max: math.Round((mean+0.871)*1000) / 1000, Count: 15})
		}
	}
	return rows
}

// BenchmarkPutFleet stores the roll-ups of 20,000 systems for 15 minutes, 120,000 rows.
func BenchmarkPutFleet(b *testing.B) {
	s := openAt(b, newPlace(b), Options{})
	put(b, s, fleetRows(20_000, midnight)...)
	i := dewline.Millis(0)
	for b.Loop() {
		b.StopTimer()
		i++
		rows := fleetRows(20_000, midnight+i*spanMillis)
		b.StartTimer()
		put(b, s, rows...)
	}
}

// BenchmarkPackFleet packs a day of 1,000 systems, 576,000 rows.
func BenchmarkPackFleet(b *testing.B) {
	s := openAt(b, newPlace(b), Options{})
	day := dewline.Millis(0)
	var before, after DiskUse
	for b.Loop() {
		b.StopTimer()
		for i := range dewline.Millis(slotsADay) {
			put(b, s, fleetRows(1000, midnight+day*dayLong+i*spanMillis)...)
		}
		before, _ = s.DiskUse(b.Context())
		b.StartTimer()
		day++
		pack(b, s, midnight+day*dayLong)
	}
	after, _ = s.DiskUse(b.Context())
	b.ReportMetric(float64(before.Bytes)/1e6, "MB-before")
	b.ReportMetric(float64(after.Bytes-after.Free)/1e6, "MB-after")
	var bytes, rows float64
	if err := s.reader.QueryRow(`SELECT sum(length(packed)), count(*) FROM rollup_days`).Scan(&bytes, &rows); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(bytes/rows/slotsADay, "B/rollup")
}

// BenchmarkReadYear reads 35,040 roll-ups of one quantity: packed, as rows, and packed beside a
// fleet's last day of rows.
func BenchmarkReadYear(b *testing.B) {
	const year = 365 * slotsADay
	fill := func(b *testing.B) *Store {
		s := openAt(b, newPlace(b), Options{})
		rows := make([]dewline.RollUp, year)
		for i := range rows {
			rows[i] = fleetRows(1, midnight+dewline.Millis(i)*spanMillis)[0]
		}
		put(b, s, rows...)
		return s
	}
	measure := func(b *testing.B, s *Store) {
		for b.Loop() {
			if rows := read(b, s, "site-0/system-0", "superheat", midnight, midnight+400*dayLong); len(rows) < year {
				b.Fatal(len(rows))
			}
		}
	}
	b.Run("packed", func(b *testing.B) {
		s := fill(b)
		pack(b, s, midnight+400*dayLong)
		measure(b, s)
	})
	b.Run("rows", func(b *testing.B) { measure(b, fill(b)) })
	b.Run("fleet", func(b *testing.B) {
		s := fill(b)
		pack(b, s, midnight+400*dayLong)
		for i := range dewline.Millis(slotsADay) {
			put(b, s, fleetRows(500, midnight+365*dayLong+i*spanMillis)...)
		}
		measure(b, s)
	})
}

func BenchmarkVerify(b *testing.B) {
	s := openAt(b, newPlace(b), Options{})
	password, err := s.AddGateway(b.Context(), "quay-library/hall-gw", midnight)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, _, ok := s.Verify("quay-library/hall-gw", password); !ok {
			b.Fatal("refused")
		}
	}
}

// BenchmarkSaveProgress saves 500 states of 8 KiB.
func BenchmarkSaveProgress(b *testing.B) {
	s := openAt(b, newPlace(b), Options{})
	p := dewline.Progress{Version: 1, States: map[dewline.SystemID][]byte{}}
	for i := range 500 {
		p.States[crashSystem(i)] = make([]byte, 8<<10)
	}
	for b.Loop() {
		p.Watermark++
		if err := s.SaveProgress(b.Context(), p); err != nil {
			b.Fatal(err)
		}
	}
}
