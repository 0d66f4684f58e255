package thermo

import (
	"errors"
	"strings"
	"testing"
)

// TestDesignation: names as the trade writes them.
func TestDesignation(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"R-410A": "R-410A", "R410A": "R-410A", "r410a": "R-410A", "410a": "R-410A", "410A": "R-410A", "r 410a": "R-410A",
		"R 410 A": "R-410A", "R_410A": "R-410A", "  R-410A ": "R-410A",
		"HFC-134a": "R-134a", "hfc134a": "R-134a", "R-134A": "R-134a", "HFO-1234yf": "R-1234yf", "HFO1234YF": "R-1234yf",
		"HCFC-22": "R-22", "CFC-12": "R-12", "HC-290": "R-290", "22": "R-22", "R 22": "R-22",
		"R1234ze(E)": "R-1234ze(E)", "R-1234zeE": "R-1234ze(E)", "1234ZE(e)": "R-1234ze(E)", "R-1234ze": "R-1234ze(E)",
		"R-1234ze(Z)": "R-1234ze(Z)", "R-1233zd": "R-1233zd(E)", "1336mzz(Z)": "R-1336mzz(Z)",
		"R-C318": "R-C318", "RC318": "R-C318", "c318": "R-C318", "RE170": "R-E170", "R-13I1": "R-13I1", "r13i1": "R-13I1",
		"ammonia": "R-717", "NH3": "R-717", "CO2": "R-744", "carbon dioxide": "R-744", "Propane": "R-290", "isobutane": "R-600a",
		"propylene": "R-1270", "dimethyl ether": "R-E170", "isopentane": "R-601a",
		"R410A.pp": "R-410A.pp", "r-404a.PP": "R-404A.pp",
	} {
		if got, err := Designation(name); err != nil || got != want {
			t.Errorf("%q: %q, %v; expected %q", name, got, err, want)
		}
	}
}

// TestEveryName: each designation finds itself, in four spellings, and no two share a spelling.
func TestEveryName(t *testing.T) {
	t.Parallel()
	keys := map[string]string{}
	for _, d := range everyName() {
		for _, spelling := range []string{
			d, strings.ToLower(d), strings.ReplaceAll(d, "-", ""), strings.TrimPrefix(strings.ToLower(d), "r-"),
		} {
			if got, err := Designation(spelling); err != nil || got != d {
				t.Errorf("%q: %q, %v; expected %q", spelling, got, err, d)
			}
		}
		if other, taken := keys[nameKey(d)]; taken {
			t.Errorf("%s and %s are written alike", d, other)
		}
		keys[nameKey(d)] = d
	}
	if len(Names()) != 190 || len(everyName()) != 194 {
		t.Errorf("%d names, %d with the one-fluid equations: expected 190 and 194", len(Names()), len(everyName()))
	}
	for _, want := range strings.Fields(`R-12 R-22 R-23 R-32 R-115 R-116 R-123 R-125 R-134a R-143a R-152a R-227ea R-1234yf
		R-1234ze(E) R-1233zd(E) R-290 R-600 R-600a R-717 R-744 R-1270 R-404A R-407A R-407C R-407F R-410A R-422D R-427A R-438A
		R-448A R-449A R-450A R-452A R-452B R-454A R-454B R-454C R-455A R-502 R-507A R-508B R-513A`) {
		if _, ok := keys[nameKey(want)]; !ok {
			t.Errorf("%s is not offered", want)
		}
	}
}

func TestUnknownNames(t *testing.T) {
	t.Parallel()
	for name, suggests := range map[string]string{
		"R-410C":   "R-410A",
		"R404":     "R-404A",
		"R-454":    "R-454B",
		"R-134":    "R-134a",
		"R-1234yg": "R-1234yf",
		"R4O7C":    "R-407C", // the letter O
		"R-744a":   "R-744",
		"R-600b":   "R-600",
		"aminonia": "R-", // anything
		"":         "R-",
		"R":        "R-",
		"-":        "R-",
		"\x00\xff": "R-",
	} {
		_, err := Lookup(name)
		if !errors.Is(err, ErrUnknown) || !strings.Contains(err.Error(), suggests) {
			t.Errorf("%q: %v, expected that it suggests %s", name, err, suggests)
		}
	}
	long := strings.Repeat("R-410A", 100)
	if _, err := Lookup(long); !errors.Is(err, ErrUnknown) || len(err.Error()) > 200 {
		t.Errorf("a name of %d characters: %v", len(long), err)
	}
}

func TestLookupIsOnePerName(t *testing.T) {
	t.Parallel()
	a, b := mustLookup(t, "R-32"), mustLookup(t, "hfc-32")
	if a != b {
		t.Error("two refrigerants for one designation")
	}
	if a.Name() != "R-32" || a.Critical().Temperature != 351.255 {
		t.Errorf("%s, critical point %+v", a.Name(), a.Critical())
	}
}
