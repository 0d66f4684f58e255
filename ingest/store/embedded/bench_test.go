package embedded

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"dewline"
)

// machine makes readings as a gateway sends them: a compressor that cycles, sensors with noise and
// the resolution of common ones (0.1 K and 1 kPa, pressures in Pa).
type machine struct {
	id  dewline.SystemID
	rng *rand.Rand
	on  float64
}

var fitted = []dewline.Point{
	dewline.SuctionPressure, dewline.LiquidPressure, dewline.SuctionTemp, dewline.LiquidTemp, dewline.DischargeTemp,
	dewline.OutdoorAirTemp, dewline.ReturnAirTemp, dewline.SupplyAirTemp, dewline.CompressorCurrent, dewline.CompressorOn,
}

func newMachine(n int) *machine {
	return &machine{id: dewline.NewSystemID(fmt.Sprintf("site-%d", n/40), fmt.Sprintf("s%d", n)), rng: rand.New(rand.NewPCG(uint64(n), 7))}
}

func (m *machine) readings(at dewline.Millis, dst []dewline.Sample) []dewline.Sample {
	hour := float64(at%86_400_000) / 3_600_000
	outdoor := 28 + 6*math.Sin((hour-9)/24*2*math.Pi)
	if m.rng.Float64() < 0.08 {
		m.on = 1 - m.on
	}
	noisy := func(v, noise, resolution float64) float64 {
		return math.Round((v+noise*m.rng.NormFloat64())/resolution) * resolution
	}
	for _, v := range []struct {
		p dewline.Point
		v float64
	}{
		{dewline.SuctionPressure, noisy(1_050_000-230_000*m.on, 3000, 1000)},
		{dewline.LiquidPressure, noisy(1_050_000+(900_000+30_000*outdoor)*m.on, 8000, 1000)},
		{dewline.SuctionTemp, noisy(20-8*m.on, 0.3, 0.1)},
		{dewline.LiquidTemp, noisy(24+(outdoor-16)*m.on, 0.2, 0.1)},
		{dewline.DischargeTemp, noisy(30+45*m.on, 0.8, 0.1)},
		{dewline.OutdoorAirTemp, noisy(outdoor, 0.1, 0.1)},
		{dewline.ReturnAirTemp, noisy(24, 0.1, 0.1)},
		{dewline.SupplyAirTemp, noisy(23-10*m.on, 0.2, 0.1)},
		{dewline.CompressorCurrent, noisy(8.4*m.on, 0.05*m.on, 0.1)},
		{dewline.CompressorOn, m.on},
	} {
		dst = append(dst, dewline.Sample{System: m.id, Point: v.p, At: at, Value: v.v})
	}
	return dst
}

// BenchmarkAppend is one batch of n readings until it is durable, with fsync and without.
func BenchmarkAppend(b *testing.B) {
	for _, noFsync := range []bool{false, true} {
		for _, n := range []int{10, 100, 1000} {
			b.Run(fmt.Sprintf("%d readings, fsync %v", n, !noFsync), func(b *testing.B) {
				o := options()
				o.NoFsync = noFsync
				o.DiskCheck = 2 * time.Second
				s := open(b, b.TempDir(), o)
				machines := make([]*machine, 1000)
				for i := range machines {
					machines[i] = newMachine(i)
				}
				time, next := at(30*24*time.Hour), 0
				batch := make([]dewline.Sample, 0, n)
				outcomes := make([]dewline.Outcome, 0, n)
				spent := processorTime()
				b.ReportAllocs()
				for b.Loop() {
					batch = batch[:0]
					for len(batch) < n {
						if batch, next = machines[next].readings(time, batch), next+1; next == len(machines) {
							time, next = time+30_000, 0
						}
					}
					if _, err := s.Append(b.Context(), batch, outcomes); err != nil {
						b.Fatal(err)
					}
				}
				readings := float64(b.N * n)
				b.ReportMetric(readings/b.Elapsed().Seconds(), "readings/s")
				b.ReportMetric((processorTime()-spent).Seconds()/readings*1e6, "CPU-s/Mreading")
			})
		}
	}
}

// BenchmarkHistory is 30 days of 10 points: what they take on the disk, and how fast one series is
// read back. The interval of the readings is in the name.
func BenchmarkHistory(b *testing.B) {
	for _, test := range []struct {
		interval, block time.Duration
	}{
		{30 * time.Second, 2 * time.Hour},
		{time.Minute, 2 * time.Hour},
		{5 * time.Minute, 2 * time.Hour},
		{5 * time.Minute, 12 * time.Hour},
	} {
		b.Run(fmt.Sprintf("every %v, blocks of %v", test.interval, test.block), func(b *testing.B) {
			o := options()
			o.NoFsync, o.Block = true, test.block
			s := open(b, b.TempDir(), o)
			var machines []*machine
			for i := range 5 {
				machines = append(machines, newMachine(i))
			}
			var batch []dewline.Sample
			for t := at(30 * 24 * time.Hour); t <= at(0); t += dewline.Millis(test.interval.Milliseconds()) {
				for _, m := range machines {
					batch = m.readings(t, batch)
				}
				if len(batch) >= 1000 {
					if _, err := s.Append(b.Context(), batch, nil); err != nil {
						b.Fatal(err)
					}
					batch = batch[:0]
				}
			}
			if err := s.db.Compact(b.Context()); err != nil {
				b.Fatal(err)
			}
			st, err := s.Stats()
			if err != nil {
				b.Fatal(err)
			}
			var values []dewline.Value
			for b.Loop() {
				values, err = s.Read(b.Context(), machines[0].id, dewline.SuctionTemp, at(30*24*time.Hour), at(0), values[:0])
				if err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(st.BytesPerReading(), "B/reading")
			b.ReportMetric(float64(st.Blocks), "blocks")
			b.ReportMetric(float64(len(values)), "readings/op")
		})
	}
}

// BenchmarkFleet is one round of a fleet of 20,000 systems with 10 points each, and the memory
// that the process has then. GOGC and the memory limit are those of the environment.
func BenchmarkFleet(b *testing.B) {
	o := options()
	s := open(b, b.TempDir(), o)
	machines := make([]*machine, 20_000)
	for i := range machines {
		machines[i] = newMachine(i)
	}
	time := at(24 * time.Hour)
	var batch []dewline.Sample
	var outcomes []dewline.Outcome
	spent := processorTime()
	for b.Loop() {
		time += 30_000
		for _, m := range machines {
			if batch = m.readings(time, batch); len(batch) >= 1000 {
				if _, err := s.Append(b.Context(), batch, outcomes[:0]); err != nil {
					b.Fatal(err)
				}
				batch = batch[:0]
			}
		}
	}
	readings := float64(b.N * len(machines) * len(fitted))
	b.ReportMetric(readings/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric((processorTime()-spent).Seconds()/readings*1e6, "CPU-s/Mreading")
	b.ReportMetric(float64(resident())/(1<<20), "MiB-resident")
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	b.ReportMetric(float64(m.HeapAlloc)/(1<<20), "MiB-heap")
}

// BenchmarkOpen is the start with what BenchmarkFleet leaves in the log after n rounds.
func BenchmarkOpen(b *testing.B) {
	o := options()
	o.NoFsync = true
	s := open(b, b.TempDir(), o)
	var batch []dewline.Sample
	const systems, rounds = 200, 240
	var machines []*machine
	for i := range systems {
		machines = append(machines, newMachine(i))
	}
	for r := range rounds {
		batch = batch[:0]
		for _, m := range machines {
			batch = m.readings(at(3*time.Hour)+dewline.Millis(r*30_000), batch)
		}
		if _, err := s.Append(b.Context(), batch, nil); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		s = open(b, s.folder, o)
	}
	b.ReportMetric(float64(b.N*systems*rounds*len(fitted))/b.Elapsed().Seconds(), "readings/s")
}

// BenchmarkRepeated is a pack of 10 readings that comes a second time, and one that comes late.
func BenchmarkRepeated(b *testing.B) {
	o := options()
	o.NoFsync = true
	s := open(b, b.TempDir(), o)
	m := newMachine(0)
	var packs [][]dewline.Sample
	for t := at(90 * time.Minute); t <= at(0); t += 30_000 {
		packs = append(packs, m.readings(t, nil))
		if _, err := s.Append(b.Context(), packs[len(packs)-1], nil); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		got, err := s.Append(b.Context(), packs[i%(len(packs)-1)], nil)
		if err != nil || got[0] != dewline.Repeated {
			b.Fatal(got, err)
		}
	}
	b.ReportMetric(float64(b.N*len(fitted))/b.Elapsed().Seconds(), "readings/s")
}

// resident is the memory that the process has from the system, in bytes; 0 where Linux's
// /proc is not there.
func resident() int64 {
	content, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(content)) {
		if kb, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			n, _ := strconv.ParseInt(strings.Fields(kb)[0], 10, 64)
			return n << 10
		}
	}
	return 0
}
