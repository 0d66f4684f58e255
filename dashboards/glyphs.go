package dashboards

import (
	"context"
	"sync"
	"time"

	"dewline"
	"dewline/dashboards/view"
)

// glyphs keeps the fortnight of each system that a list has shown. A point a day changes slowly,
// and a list of a hundred rows cannot afford a hundred reads each time it is drawn.
type glyphs struct {
	series dewline.SeriesReader

	mu   sync.Mutex
	kept map[dewline.SystemID]keptGlyph
}

type keptGlyph struct {
	fortnight view.Fortnight
	until     time.Time
}

func newGlyphs(series dewline.SeriesReader) *glyphs {
	return &glyphs{series: series, kept: map[dewline.SystemID]keptGlyph{}}
}

const (
	glyphKept     = time.Hour
	glyphKeptLive = 15 * time.Second      // while history arrives
	glyphBudget   = 60 * time.Millisecond // that one page may spend on reading; it asks for the rest by itself
	glyphMost     = 50_000                // systems kept; more than any fleet that one process carries
)

// read returns the fortnights of systems. It reads those that are not known, for as long as the
// budget lasts; complete is false where some are still to be read, which the next call goes on with.
func (g *glyphs) read(ctx context.Context, ids []dewline.SystemID, now func() time.Time, arriving bool) (all map[dewline.SystemID]view.Fortnight, complete bool) {
	all = make(map[dewline.SystemID]view.Fortnight, len(ids))
	if g.series == nil {
		return all, true
	}
	begin := now()
	complete = true
	for _, id := range ids {
		kept, ok := g.get(id)
		if ok {
			all[id] = kept.fortnight // even an old one, until there is a new one
		}
		if ok && begin.Before(kept.until) {
			continue
		}
		if now().Sub(begin) > glyphBudget {
			complete = complete && ok
			continue
		}
		f, err := g.fetch(ctx, id, begin)
		if err != nil {
			continue // the page says elsewhere that the store does not answer
		}
		all[id] = f
		keep := glyphKept
		if arriving {
			keep = glyphKeptLive
		}
		g.put(id, keptGlyph{f, begin.Add(keep)})
	}
	return all, complete
}

func (g *glyphs) get(id dewline.SystemID) (keptGlyph, bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	k, ok := g.kept[id]
	return k, ok
}

func (g *glyphs) put(id dewline.SystemID, k keptGlyph) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if len(g.kept) >= glyphMost {
		clear(g.kept)
	}
	g.kept[id] = k
}

func (g *glyphs) fetch(ctx context.Context, id dewline.SystemID, now time.Time) (view.Fortnight, error) {
	const day = 24 * time.Hour
	// Whole hours, so that a store that keeps sums of quarters of an hour can answer from them.
	to := dewline.MillisOf(now.UTC().Truncate(time.Hour).Add(time.Hour))
	from := to.Add(-view.GlyphDays * day)
	s, err := g.series.ReadSeries(ctx, dewline.SeriesQuery{
		System: id, Quantities: []string{string(dewline.Superheat), string(dewline.Subcooling)}, From: from, To: to, Step: day,
	})
	if err != nil {
		return view.NoFortnight(), err
	}
	return view.FortnightOf(s, from), nil
}
