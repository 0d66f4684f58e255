package papers

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline"
)

// Desk implements dewline.Papers. Fleet, Calls and Now must be set; a paper says what it lacks where
// the others are nil.
type Desk struct {
	Fleet   func() *dewline.Fleet
	Company string
	Calls   dewline.ServiceDesk
	Ledger  dewline.Ledger
	Series  dewline.SeriesReader
	Prover  dewline.Prover
	Owners  dewline.OwnerMonths
	Photos  dewline.Photos
	Now     func() dewline.Millis
}

// How much of the time about a visit its chart shows, and the step of it.
const (
	chartBefore = 4 * 24 * time.Hour
	chartAfter  = 5 * 24 * time.Hour
	chartStep   = time.Hour
)

const pdf = "application/pdf"

// ClosingPack implements dewline.Papers.
func (d *Desk) ClosingPack(ctx context.Context, id string, u dewline.Units) (dewline.Paper, error) {
	c, err := d.Calls.CallCase(ctx, id)
	if err != nil {
		return dewline.Paper{}, err
	}
	fleet := d.Fleet()
	f := ClosingFacts{Case: c, Company: d.Company, Accounts: map[dewline.SystemID]dewline.RefrigerantAccount{},
		Series: map[dewline.SystemID]dewline.Series{}, Systems: map[dewline.SystemID]*dewline.System{}, Photos: map[string][]byte{}}
	f.Site, f.Owner = place(fleet, c.Call.Site)
	if f.Case.Call.Verdict == nil && c.Call.State == dewline.CallDone { // not final, and so not kept: told with today's numbers
		if told, err := d.Calls.Verify(ctx, id); err == nil {
			f.Case = told
		}
	}
	for _, system := range c.Call.Systems {
		if s, ok := fleet.System(system); ok {
			f.Systems[system] = s
		}
	}
	for _, v := range closed(c.Visits) {
		if err := d.about(ctx, &f, v); err != nil {
			return dewline.Paper{}, err
		}
	}
	body, err := f.PDF(u, d.Now())
	return dewline.Paper{Name: "closing-pack-" + id + ".pdf", Type: pdf, Body: body}, err
}

func place(fleet *dewline.Fleet, id string) (dewline.Site, string) {
	site, ok := fleet.Site(id)
	if !ok {
		return dewline.Site{ID: id, Name: id, Timezone: time.UTC}, ""
	}
	if owner, ok := fleet.Owner(site.Owner); ok {
		return *site, owner.Name
	}
	return *site, ""
}

// about adds the photos of a visit, and the account and the readings of its machine.
func (d *Desk) about(ctx context.Context, f *ClosingFacts, v dewline.Visit) error {
	if d.Photos != nil {
		for _, p := range v.Photos {
			if picture, err := d.Photos.PhotoOf(ctx, v.ID, p.Digest, true); err == nil { // the paper says how many it cannot show
				f.Photos[p.Digest] = picture
			}
		}
	}
	if _, enrolled := f.Systems[v.System]; !enrolled {
		return nil
	}
	if len(v.Refrigerant) > 0 && d.Ledger != nil {
		account, err := d.Ledger.Account(ctx, v.System)
		if err != nil {
			return err
		}
		f.Accounts[v.System] = account
	}
	series, err := d.series(ctx, v.System, dewline.Millis(v.Started).Add(-chartBefore), min(d.Now(), dewline.Millis(v.Finished).Add(chartAfter)))
	if err == nil && series != nil {
		f.Series[v.System] = *series
	}
	return err
}

// series reads what a waterline is drawn of. That the store cannot answer now is no reason to have no
// paper: it then says that there are no readings.
func (d *Desk) series(ctx context.Context, id dewline.SystemID, from, to dewline.Millis) (*dewline.Series, error) {
	if d.Series == nil || to <= from {
		return nil, nil
	}
	step := chartStep
	for to.Sub(from)/step > dewline.MaxSeriesRows/4 {
		step *= 2
	}
	s, err := d.Series.ReadSeries(ctx, dewline.SeriesQuery{System: id, From: from, To: to, Step: step,
		Quantities: []string{string(dewline.Superheat), string(dewline.Subcooling)}})
	if code := dewline.CodeOf(err); code == dewline.Unavailable || code == dewline.NotFound {
		return nil, ctx.Err()
	}
	return &s, err
}

// usualPeriod is what a commissioning report covers where nobody says otherwise.
const usualPeriod = 14 * 24 * time.Hour

// longestPeriod keeps a report to what it is for.
const longestPeriod = 366 * 24 * time.Hour

// Commissioning implements dewline.Papers.
func (d *Desk) Commissioning(ctx context.Context, id dewline.SystemID, from, to dewline.Millis, u dewline.Units) (dewline.Paper, error) {
	op := fmt.Sprintf("commissioning report of %q", id)
	fleet := d.Fleet()
	s, ok := fleet.System(id)
	if !ok {
		return dewline.Paper{}, &dewline.Error{Code: dewline.NotFound, Op: op, Err: errors.New("no such system is enrolled")}
	}
	if to == 0 {
		to = d.Now()
	}
	if from == 0 {
		from = to.Add(-usualPeriod)
	}
	if from >= to || to.Sub(from) > longestPeriod {
		return dewline.Paper{}, &dewline.Error{Code: dewline.Invalid, Op: op, Err: errors.New("from must lie before to, by a year at most")}
	}
	f := CommissioningFacts{System: s, Proof: dewline.Proof{System: id, From: dewline.Stamp(from), To: dewline.Stamp(to), Missing: "no readings are kept here"}}
	f.Site, f.Owner = place(fleet, id.Site())
	f.Gateway, _ = fleet.Gateway(s)
	if err := d.commissioned(ctx, &f, from, to); err != nil {
		return dewline.Paper{}, err
	}
	body, err := f.PDF(u, d.Now())
	return dewline.Paper{Name: "commissioning-" + id.Site() + "-" + id.System() + ".pdf", Type: pdf, Body: body}, err
}

func (d *Desk) commissioned(ctx context.Context, f *CommissioningFacts, from, to dewline.Millis) (err error) {
	id := f.System.ID
	if d.Prover != nil {
		if f.Proof, err = d.Prover.Prove(ctx, id, from, to); err != nil {
			return err
		}
		f.Proof.From, f.Proof.To = dewline.Stamp(from), dewline.Stamp(to)
	}
	if f.Series, err = d.series(ctx, id, from, to); err != nil {
		return err
	}
	if d.Ledger != nil {
		if f.Account, err = d.Ledger.Account(ctx, id); err != nil {
			return err
		}
	}
	visits, err := d.Calls.Visits(ctx, id, 0, to) // the first one set it to work
	if err != nil || len(visits) == 0 {
		return err
	}
	first := slices.MinFunc(visits, func(a, b dewline.Visit) int { return int(a.Finished - b.Finished) })
	f.Visit = &first
	return nil
}
