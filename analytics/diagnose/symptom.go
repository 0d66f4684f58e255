package diagnose

import "math"

// Symptom numbers the components of a residual.
type Symptom uint8

// The symptoms.
const (
	Superheat       Symptom = iota // K
	Subcooling                     // K
	SuctionDew                     // K
	OverAmbient                    // K, condensing temperature over the air entering the outdoor coil
	DischargeExcess                // K, discharge superheat over that of a usual compressor at the same pressures and gas
	AirSplit                       // K, return air over supply air
	LogPower                       // ln of the compressor's power, or of its current
	NumSymptoms
)

var symptomNames = [NumSymptoms]string{
	"superheat", "subcooling", "suction dew temperature", "condensing over ambient",
	"discharge superheat for these pressures", "air split", "compressor power",
}

// String names the symptom in the trade's words.
func (s Symptom) String() string { return symptomNames[s] }

// Unit returns the unit of a symptom as people read it. The logarithm of power reads as per cent.
func (s Symptom) Unit() string {
	if s == LogPower {
		return "%"
	}
	return "K"
}

// Shown returns a residual in the symptom's Unit.
func (s Symptom) Shown(v float64) float64 {
	if s == LogPower {
		return 100 * math.Expm1(v)
	}
	return v
}

// Vector has one number for each symptom.
type Vector [NumSymptoms]float64

// Matrix is a covariance of symptoms.
type Matrix [NumSymptoms][NumSymptoms]float64

// AddOuter adds w v vᵀ.
func (m *Matrix) AddOuter(v *Vector, w float64) {
	for i, a := range v {
		if a == 0 {
			continue
		}
		for j, b := range v {
			m[i][j] += w * a * b
		}
	}
}

// Residual is what was measured less what was expected, in one frame of reference.
type Residual struct {
	Mean Vector
	Cov  Matrix
	Has  [NumSymptoms]bool

	ByCurrent bool // LogPower is of the current
}

// Name says a symptom in the trade's words, by what it was measured.
func (r *Residual) Name(s Symptom) string {
	if s == LogPower && r.ByCurrent {
		return "compressor current"
	}
	return s.String()
}

// Z returns a symptom's residual in standard deviations, 0 for one that is not there.
func (r *Residual) Z(s Symptom) float64 {
	if !r.Has[s] || !(r.Cov[s][s] > 0) {
		return 0
	}
	return r.Mean[s] / math.Sqrt(r.Cov[s][s])
}

// Furthest returns how far out the symptom is that is furthest, in standard deviations.
func (r *Residual) Furthest() float64 {
	most := 0.0
	for s := range NumSymptoms {
		most = max(most, math.Abs(r.Z(s)))
	}
	return most
}

// Odd says whether a saturation temperature is further out than any fault of a machine takes it: a sensor, a
// factor or a mapping is to be doubted first.
func (r *Residual) Odd() bool {
	const most = 25 // K; a metering device all but closed takes the suction dew temperature down by 22
	return r.Has[SuctionDew] && math.Abs(r.Mean[SuctionDew]) > most || r.Has[OverAmbient] && math.Abs(r.Mean[OverAmbient]) > most
}

// freedom is that of the likelihood's t distribution: heavy tails, because no table of signatures
// and no covariance is complete.
const freedom = 20

// logLikelihood returns the logarithm of the density of a residual whose expectation is mean and
// whose covariance is r.Cov plus more (nil: nothing more).
func (r *Residual) logLikelihood(mean *Vector, more *Matrix) float64 {
	var at [NumSymptoms]int
	n := 0
	for i, has := range r.Has {
		if has {
			at[n] = i
			n++
		}
	}
	// Cholesky, and the solution of L y = d on the way.
	var l Matrix
	var y Vector
	logDet, q := 0.0, 0.0
	for i := range n {
		a := at[i]
		for j := range i + 1 {
			b := at[j]
			v := r.Cov[a][b]
			if more != nil {
				v += more[a][b]
			}
			for k := range j {
				v -= l[i][k] * l[j][k]
			}
			if i == j {
				l[i][i] = math.Sqrt(max(v, 1e-12))
			} else {
				l[i][j] = v / l[j][j]
			}
		}
		d := r.Mean[a] - mean[a]
		for k := range i {
			d -= l[i][k] * y[k]
		}
		y[i] = d / l[i][i]
		q += y[i] * y[i]
		logDet += math.Log(l[i][i])
	}
	return -logDet - float64(freedom+n)/2*math.Log1p(q/freedom)
}
