package broker

import (
	"testing"
	"testing/synctest"
	"time"
)

// A connection may send a burst at once and then its rate; a small message counts as
// messageCost.
func TestPacerKeepsItsRate(t *testing.T) {
	for _, size := range []int{10, 600, 50_000} {
		synctest.Test(t, func(t *testing.T) {
			const rate, total = 100_000, 3_000_000
			p := pacer{at: time.Now()}
			began := time.Now()
			for sent := 0; sent < total; sent += max(size, messageCost) {
				if wait := p.spend(size, rate, time.Now()); wait > 0 {
					p.rest(t.Context(), wait, func() float64 { return rate })
				}
			}
			if took := time.Since(began).Seconds(); took < total/rate-1 || took > total/rate+0.1 {
				t.Errorf("messages of %d bytes: %d bytes at %d a second took %.2f s", size, total, rate, took)
			}
		})
	}
}

func TestPacerFollowsARateThatRises(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pacer{at: time.Now()}
		wait := p.spend(256<<10, floorRate, time.Now())
		if wait < 20*time.Second {
			t.Fatalf("the greatest pack at the lowest rate waits %v", wait)
		}
		if slept := p.rest(t.Context(), wait, func() float64 { return 1 << 20 }); slept > time.Second {
			t.Errorf("it slept %v though the rate had risen", slept)
		}
	})
}

// inflow, in bytes a second, is what a machine can receive and write at most, whatever it allows.
const inflow = 100 << 20

// storm lets heavy gateways with a backlog and light ones with live readings share a broker whose
// ingest takes drain bytes a second, and returns the longest time that a message waited.
func storm(t *testing.T, heavy, light int, drain float64) (worst time.Duration, used float64) {
	t.Helper()
	const step = 250 * time.Millisecond
	g := governor{most: 4 << 20, share: 4 << 20}
	queued, taken := 0.0, 0.0
	rate := g.most
	for range 4 * 120 {
		sent := make([]int64, 0, heavy+light)
		for range heavy {
			sent = append(sent, int64(rate*step.Seconds()))
		}
		for range light {
			sent = append(sent, int64(800*step.Seconds()))
		}
		var total float64
		for _, n := range sent {
			total += float64(n)
		}
		if fit := inflow * step.Seconds() / total; fit < 1 {
			for i := range sent {
				sent[i] = int64(float64(sent[i]) * fit)
			}
			total *= fit
		}
		queued += total
		out := min(queued, drain*step.Seconds())
		queued -= out
		taken += out
		worst = max(worst, time.Duration(queued/drain*float64(time.Second)))
		rate = g.step(int64(queued), sent, step)
	}
	return worst, taken / (drain * 120)
}

// 500 gateways come back at once with a day's backlog: what is sent live must not wait 30 s.
func TestGovernorKeepsTheQueueShort(t *testing.T) {
	for _, c := range []struct {
		heavy, light int
		drain        float64
		within       time.Duration
	}{
		{3, 497, 5 << 20, 10 * time.Second},
		{50, 450, 5 << 20, 15 * time.Second},
		{500, 0, 5 << 20, 15 * time.Second},
	} {
		worst, used := storm(t, c.heavy, c.light, c.drain)
		t.Logf("%d heavy: longest wait %v, ingest used %.0f %%", c.heavy, worst.Round(100*time.Millisecond), 100*used)
		if worst > c.within {
			t.Errorf("%d gateways with a backlog: a reading waited %v", c.heavy, worst)
		}
		if used < 0.8 {
			t.Errorf("%d gateways with a backlog: ingest was used to %.0f %% only", c.heavy, 100*used)
		}
	}
}

func TestGovernorLetsTheBrokerHoldLiveReadings(t *testing.T) {
	g := governor{most: 4 << 20, share: 4 << 20}
	queued := int64(0)
	rate := g.most
	for range 400 { // ingest takes nothing
		sent := int64(rate / 4)
		queued += sent
		rate = g.step(queued, []int64{sent}, 250*time.Millisecond)
	}
	if rate != floorRate {
		t.Errorf("a gateway may send %.0f bytes a second while the store is down, want the %d of live readings", rate, floorRate)
	}
	for range 400 {
		queued = max(0, queued-1<<20)
		rate = g.step(queued, []int64{int64(rate / 4)}, 250*time.Millisecond)
	}
	if rate != g.most {
		t.Errorf("the rate stays at %.0f after the store has recovered", rate)
	}
}
