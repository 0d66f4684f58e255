package diagnose

import (
	"math"
	"math/rand/v2"
	"testing"
)

// determinant by expansion along the first row, and the quadratic form by Cramer's rule: slow, and
// nothing like the factorisation that is tested.
func determinant(m [][]float64) float64 {
	if len(m) == 0 {
		return 1
	}
	d, sign := 0.0, 1.0
	for j := range m {
		var minor [][]float64
		for _, row := range m[1:] {
			r := append([]float64{}, row[:j]...)
			minor = append(minor, append(r, row[j+1:]...))
		}
		d += sign * m[0][j] * determinant(minor)
		sign = -sign
	}
	return d
}

func quadratic(m [][]float64, v []float64) float64 {
	det, q := determinant(m), 0.0
	for j := range v {
		replaced := make([][]float64, len(m))
		for i := range m {
			replaced[i] = append([]float64{}, m[i]...)
			replaced[i][j] = v[i]
		}
		q += v[j] * determinant(replaced) / det
	}
	return q
}

// student is the logarithm of the density of Student's t in several dimensions (Kotz and Nadarajah,
// Multivariate t Distributions and Their Applications, 2004, equation 1.1).
func student(d []float64, scale [][]float64, nu float64) float64 {
	n := float64(len(d))
	a, _ := math.Lgamma((nu + n) / 2)
	b, _ := math.Lgamma(nu / 2)
	return a - b - n/2*math.Log(nu*math.Pi) - math.Log(determinant(scale))/2 - (nu+n)/2*math.Log1p(quadratic(scale, d)/nu)
}

// randomResidual has correlated symptoms, some of which are missing.
func randomResidual(rng *rand.Rand) (r Residual, mean Vector, more Matrix) {
	for s := range NumSymptoms {
		r.Has[s] = rng.IntN(4) > 0
		r.Mean[s], mean[s] = 3*rng.NormFloat64(), 3*rng.NormFloat64()
		r.Cov[s][s] = 0.3 + rng.Float64()
	}
	for range 3 {
		var v, w Vector
		for s := range NumSymptoms {
			v[s], w[s] = rng.NormFloat64(), rng.NormFloat64()
		}
		r.Cov.AddOuter(&v, 1)
		more.AddOuter(&w, 0.5)
	}
	return r, mean, more
}

// TestLikelihoodIsStudents: but for a constant of the number of symptoms.
func TestLikelihoodIsStudents(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 20 {
		r, mean, more := randomResidual(rng)
		var d0, d1 []float64
		var plain, wide [][]float64
		for i := range NumSymptoms {
			if !r.Has[i] {
				continue
			}
			d0, d1 = append(d0, r.Mean[i]), append(d1, r.Mean[i]-mean[i])
			var p, w []float64
			for j := range NumSymptoms {
				if r.Has[j] {
					p, w = append(p, r.Cov[i][j]), append(w, r.Cov[i][j]+more[i][j])
				}
			}
			plain, wide = append(plain, p), append(wide, w)
		}
		want := student(d1, wide, freedom) - student(d0, plain, freedom)
		got := r.logLikelihood(&mean, &more) - r.logLikelihood(&Vector{}, nil)
		if math.Abs(got-want) > 1e-9*(1+math.Abs(want)) {
			t.Fatalf("%d symptoms: log ratio %.12f, want %.12f", len(d0), got, want)
		}
	}
}

// TestLikelihoodHasStudentsTails: with one symptom, 95 % lie within 2.086 and 99 % within 2.845 for twenty
// degrees of freedom (any table of Student's t).
func TestLikelihoodHasStudentsTails(t *testing.T) {
	r := Residual{}
	r.Has[Subcooling], r.Cov[Subcooling][Subcooling] = true, 1
	density := func(x float64) float64 {
		r.Mean[Subcooling] = x
		return math.Exp(r.logLikelihood(&Vector{}, nil))
	}
	integral := func(to float64) float64 { // Simpson's rule
		const steps = 4000
		h := 2 * to / steps
		sum := density(-to) + density(to)
		for i := 1; i < steps; i++ {
			sum += float64(2+2*(i%2)) * density(-to+h*float64(i))
		}
		return sum * h / 3
	}
	all := integral(60)
	for _, c := range []struct{ within, share float64 }{{0.687, 0.5}, {1.725, 0.9}, {2.086, 0.95}, {2.845, 0.99}} {
		if got := integral(c.within) / all; math.Abs(got-c.share) > 0.0005 {
			t.Errorf("%.4f within %.3f, want %.2f", got, c.within, c.share)
		}
	}
}

// TestLikelihoodKnowsNoUnits: in another unit a symptom has another density, but the same ratio; and the order
// of the symptoms does not matter.
func TestLikelihoodKnowsNoUnits(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	for range 100 {
		r, mean, more := randomResidual(rng)
		want := r.logLikelihood(&mean, &more) - r.logLikelihood(&Vector{}, nil)
		perm := rng.Perm(int(NumSymptoms))
		var units Vector
		for s := range units {
			units[s] = math.Exp(3 * rng.NormFloat64())
		}
		var q Residual
		var m Vector
		var wide Matrix
		for i, a := range perm {
			q.Has[i], q.Mean[i], m[i] = r.Has[a], units[a]*r.Mean[a], units[a]*mean[a]
			for j, b := range perm {
				q.Cov[i][j], wide[i][j] = units[a]*units[b]*r.Cov[a][b], units[a]*units[b]*more[a][b]
			}
		}
		got := q.logLikelihood(&m, &wide) - q.logLikelihood(&Vector{}, nil)
		if math.Abs(got-want) > 1e-8*(1+math.Abs(want)) {
			t.Fatalf("log ratio %.10f in other units and order, want %.10f", got, want)
		}
	}
}
