package papers_test

import (
	"bytes"
	"compress/zlib"
	"context"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
	"unicode/utf16"

	"dewline"
	"dewline/alerts/papers"
)

var keep = flag.String("keep", "", "write the papers into this folder, to look at them")

var (
	streams = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	shown   = regexp.MustCompile(`(?s)\(((?:\\.|[^\\)])*)\) ?Tj`)
	escaped = regexp.MustCompile(`(?s)\\(.)`)
)

// textOf returns the words of a PDF, page by page: the strings that its pages show, which the face's
// table of characters holds as UTF-16.
func textOf(t *testing.T, body []byte) (pages []string) {
	t.Helper()
	for _, stream := range streams.FindAllSubmatch(body, -1) {
		r, err := zlib.NewReader(bytes.NewReader(stream[1]))
		if err != nil {
			continue // not compressed: no page
		}
		content, err := io.ReadAll(r)
		if err != nil || !bytes.HasPrefix(content, []byte("0 J")) { // how a page begins
			continue
		}
		var words []string
		for _, show := range shown.FindAllSubmatch(content, -1) {
			raw := escaped.ReplaceAllFunc(show[1], func(e []byte) []byte {
				if e[1] == 'r' {
					return []byte{'\r'}
				}
				return e[1:]
			})
			var units []uint16
			for i := 0; i+1 < len(raw); i += 2 {
				units = append(units, uint16(raw[i])<<8|uint16(raw[i+1]))
			}
			words = append(words, string(utf16.Decode(units)))
		}
		pages = append(pages, strings.Join(strings.Fields(strings.Join(words, " ")), " "))
	}
	if len(pages) == 0 {
		t.Fatal("no page was found in the PDF")
	}
	return pages
}

func wantWords(t *testing.T, text string, words ...string) {
	t.Helper()
	flat := strings.ReplaceAll(text, " ", "")
	for _, w := range words {
		if !strings.Contains(flat, strings.ReplaceAll(w, " ", "")) {
			t.Errorf("it does not say %q", w)
		}
	}
	if t.Failed() {
		t.Logf("it says: %s", text)
	}
}

func kept(t *testing.T, name string, body []byte) {
	t.Helper()
	if *keep != "" {
		if err := os.WriteFile(filepath.Join(*keep, name), body, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestClosingPack(t *testing.T) {
	body, err := closingFacts().PDF(dewline.MetricUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "closing.pdf", body)
	pages := textOf(t, body)
	for i, p := range pages {
		wantWords(t, p, "page "+string(rune('1'+i))+" of "+string(rune('0'+len(pages))), "Closing pack, service call call-7", "made 2031-07-09 09:00 WEST")
	}
	wantWords(t, strings.Join(pages, " "),
		"Quay Library", "City Buildings", "Harbour Cooling", "Reading hall split", "R-410A", "fixed orifice",
		"found overfeed, orifice too large", "overfeed, orifice too large 72 %", // found beside predicted
		"1.90 mm", "1.65 mm", "liquid-line drier", // work
		"suction pressure (gauge)", "862 kPa", "905 kPa", "902 kPa", "+3 kPa", // as found, as left, our sensor, difference
		"3.02 kg", "3.10 kg", "net 0.08 kg", "as liquid", // refrigerant
		"The vacuum held", "minutes", "absolute, Pa", "pump valved off", "aker's instructions, page 14", // evacuation, words of the chart among it
		"Verified by readings", "3.4 K to 9.8 K", "0.4 K (\u22120.8 K to 2.9 K)", "6.3 K (4.1 K to 9.0 K)", // before and after
		"outdoor air temp", "subcooling | superheat, K", "saturation", "visit",
		"cannot be computed: no earlier", "2.6 % a year", "trigger 10 % a year", "2032-07-03", "not legal advice",
		"Jo\u00e3o \u0141ukasz", "U-204411", "Marta Vale", dewline.Caution)
	us, err := closingFacts().PDF(dewline.USUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "closing-us.pdf", us)
	wantWords(t, strings.Join(textOf(t, us), " "), "125.0 psi", "131.3 psi", "6.83 lb", "0.075 in", "11.3 °F (7.4 °F to 16.2 °F)", "micron") // 862 and 905 kPa, 3.1 kg, 1.9 mm, 6.3 K
}

func TestCommissioningReport(t *testing.T) {
	body, err := commissioningFacts().PDF(dewline.MetricUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	kept(t, "commissioning.pdf", body)
	wantWords(t, strings.Join(textOf(t, body), " "), "Commissioning report", "Reading hall split (quay-library/hall-ac)", "Harbour Cooling", "2031-06-02", "split air conditioner",
		"10.5 kW", "3.10 kg", "hall-gw", "liquid pressure", "8 kPa", "0.5 K", "Superheat is where it should be: 6.3 K, expected 3.4 K to 9.8 K.", "21.5 h of steady running in 43 half hours on 5 days",
		"set to work", "The vacuum held", "98 %", dewline.Caution)
}

func TestPapersThatLackThings(t *testing.T) {
	f := closingFacts()
	f.Case.Visits, f.Case.Call.Verdict, f.Accounts, f.Series = nil, nil, nil, nil
	body, err := f.PDF("", now)
	if err != nil {
		t.Fatal(err)
	}
	wantWords(t, strings.Join(textOf(t, body), " "), "No visit of this call is closed yet", "not told yet", dewline.Caution)
	c := commissioningFacts()
	c.Visit, c.Series, c.Account = nil, nil, dewline.RefrigerantAccount{}
	c.Proof.Measures, c.Proof.Conditions, c.Proof.Missing = nil, nil, "it has not run steadily yet"
	if body, err = c.PDF("", now); err != nil {
		t.Fatal(err)
	}
	wantWords(t, strings.Join(textOf(t, body), " "), "it has not run steadily yet", "No closed visit is recorded", "full charge is not recorded")
}

// TestSameFactsSameBytes: a paper can be told by its digest.
func TestSameFactsSameBytes(t *testing.T) {
	for range 3 {
		a, err := closingFacts().PDF("", now)
		if err != nil {
			t.Fatal(err)
		}
		b, err := closingFacts().PDF("", now)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Fatal("the same facts make different bytes")
		}
		c, err := closingFacts().PDF("", now+60_000)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(a, c) {
			t.Fatal("another time makes the same bytes: is it in the paper?")
		}
	}
}

// TestAwkwardTexts: what people type neither breaks a page nor runs out of it.
func TestAwkwardTexts(t *testing.T) {
	for _, text := range []string{"", "\xff\xfe", "\x00\x1b[31m", strings.Repeat("W", 3000), strings.Repeat("many words ", 900), "\u202eabc", "\U0001F9CA ice", "日本", ") Tj ET (", "{pages}"} {
		f := closingFacts()
		v := f.Case.Visits[0]
		v.Notes, v.Technician, v.Certification, v.SignedBy = text, text, text, text
		v.Parts = []dewline.PartChanged{{Part: text, Was: text, Now: text, Serial: text, Note: text}}
		v.Refrigerant[0].Note, v.Refrigerant[0].Cylinder = text, text
		f.Case.Visits[0], f.Site.Name, f.Owner, f.Case.Call.ID = v, text, text, text
		body, err := f.PDF("", now)
		if err != nil {
			t.Fatalf("%.20q: %v", text, err)
		}
		wantWords(t, strings.Join(textOf(t, body), " "), dewline.Caution)
	}
}

// prover and seriesReader stand for analytics.
type prover struct{ dewline.Prover }

func (prover) Prove(_ context.Context, id dewline.SystemID, from, to dewline.Millis) (dewline.Proof, error) {
	p := proof("2031-06-29T08:00", "2031-07-08T08:00", 6.3, 4.1, 9)
	p.System, p.From, p.To = id, dewline.Stamp(from), dewline.Stamp(to)
	return p, nil
}

type seriesReader func(dewline.SeriesQuery) (dewline.Series, error)

func (f seriesReader) ReadSeries(_ context.Context, q dewline.SeriesQuery) (dewline.Series, error) {
	return f(q)
}

type ledger struct{ dewline.Ledger }

func (ledger) Account(context.Context, dewline.SystemID) (dewline.RefrigerantAccount, error) {
	return account(), nil
}

func desk() *papers.Desk {
	return &papers.Desk{Fleet: fleet, Company: "Harbour Cooling", Calls: service{cases: []dewline.CallCase{{Call: call(), Visits: []dewline.Visit{visit()}}}}, Ledger: ledger{},
		Series: seriesReader(func(dewline.SeriesQuery) (dewline.Series, error) { return readings(), nil }), Prover: prover{}, Now: func() dewline.Millis { return now }}
}

func TestDesk(t *testing.T) {
	d := desk()
	p, err := d.ClosingPack(t.Context(), "call-7", dewline.MetricUnits)
	if err != nil {
		t.Fatal(err)
	}
	direct, err := closingFacts().PDF(dewline.MetricUnits, now)
	if err != nil {
		t.Fatal(err)
	}
	if p.Type != "application/pdf" || p.Name != "closing-pack-call-7.pdf" || !bytes.Equal(p.Body, direct) {
		t.Errorf("%s, %s, %d bytes, want those of the facts, %d", p.Name, p.Type, len(p.Body), len(direct))
	}
	if _, err := d.ClosingPack(t.Context(), "none", ""); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("a call that is not there: %v", err)
	}
	if _, err := d.Commissioning(t.Context(), "quay-library/none", 0, 0, ""); dewline.CodeOf(err) != dewline.NotFound {
		t.Errorf("a system that is not there: %v", err)
	}
	if _, err := d.Commissioning(t.Context(), hall, now, now-1, ""); dewline.CodeOf(err) != dewline.Invalid {
		t.Errorf("a period that ends before it begins: %v", err)
	}
	var asked dewline.SeriesQuery
	d.Series = seriesReader(func(q dewline.SeriesQuery) (dewline.Series, error) {
		asked = q
		return dewline.Series{}, &dewline.Error{Code: dewline.Unavailable, Op: "read"}
	})
	if p, err = d.Commissioning(t.Context(), hall, 0, 0, ""); err != nil { // a store that does not answer costs the chart alone
		t.Fatal(err)
	}
	if want := now.Add(-14 * 24 * time.Hour); asked.From != want || asked.To != now {
		t.Errorf("asked for %v to %v, want the last two weeks", asked.From.Time(), asked.To.Time())
	}
	wantWords(t, strings.Join(textOf(t, p.Body), " "), "Period 2031-06-25 09:00 WEST to 2031-07-09 09:00 WEST", "Jo\u00e3o \u0141ukasz")
}

func BenchmarkClosingPack(b *testing.B) {
	f := closingFacts()
	for b.Loop() {
		if _, err := f.PDF("", now); err != nil {
			b.Fatal(err)
		}
	}
}
