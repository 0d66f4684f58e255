package thermo

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"dewline/thermo/si"
)

// near says whether a and b agree to the relative tolerance rel or the absolute one abs.
func near(a, b, rel, abs float64) bool {
	return math.Abs(a-b) <= max(abs, rel*max(math.Abs(a), math.Abs(b)))
}

// sameState compares two states of one phase or two in all that both determine.
func sameState(a, b *State, tempK float64) error {
	switch {
	case math.Abs(float64(a.Temperature-b.Temperature)) > tempK:
		return fmt.Errorf("temperature %v and %v", a.Temperature, b.Temperature)
	case !near(float64(a.Density), float64(b.Density), 1e-6, 0):
		return fmt.Errorf("density %v and %v", a.Density, b.Density)
	case !near(float64(a.Enthalpy), float64(b.Enthalpy), 1e-9, 0.05):
		return fmt.Errorf("enthalpy %v and %v", a.Enthalpy, b.Enthalpy)
	case !near(float64(a.Entropy), float64(b.Entropy), 1e-9, 2e-4):
		return fmt.Errorf("entropy %v and %v", a.Entropy, b.Entropy)
	case !near(a.Quality, b.Quality, 0, 1e-8):
		return fmt.Errorf("quality %g and %g", a.Quality, b.Quality)
	}
	return nil
}

// singlePhaseStates returns states of liquid, vapour and fluid above the critical point, spread
// over the range of the equations.
func singlePhaseStates(r *Refrigerant, count int) (states []State, err error) {
	rng := rand.New(rand.NewPCG(7, uint64(len(r.Name()))))
	low, high := r.PressureRange()
	for len(states) < count {
		p := si.Pascal(float64(low) * math.Exp(rng.Float64()*math.Log(2*float64(high/low))))
		t := lowestTemp + si.Kelvin(rng.Float64())*(min(r.maxTemp, 450)-lowestTemp)
		if t < r.minTemp || p > r.maxPres {
			continue
		}
		s, e := r.AtPT(p, t)
		if e != nil {
			return nil, fmt.Errorf("AtPT(%s, %s): %w", kPa(p), celsius(t), e)
		}
		if s.Phase == TwoPhase {
			continue
		}
		states = append(states, s)
	}
	return states, nil
}

// TestRoundTrips goes from p, T to h and s and back, in all phases of every refrigerant.
func TestRoundTrips(t *testing.T) {
	t.Parallel()
	var tempPH, tempPS worst
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		states, err := singlePhaseStates(r, 12)
		if err != nil {
			t.Errorf("%s: %v", r.Name(), err)
			return
		}
		for _, s := range states {
			where := func() string {
				return fmt.Sprintf("%s %s at %s, %s", r.Name(), s.Phase, kPa(s.Pressure), celsius(s.Temperature))
			}
			// Near the critical point dh/dT is huge and the way back ill-determined; elsewhere it is not.
			back, err := r.AtPH(s.Pressure, s.Enthalpy)
			if err == nil {
				err = sameState(&s, &back, 1e-7)
			}
			if err != nil {
				t.Errorf("%s: AtPH: %v", where(), err)
			}
			tempPH.add(math.Abs(float64(back.Temperature-s.Temperature)), where)
			back, err = r.AtPS(s.Pressure, s.Entropy)
			if err == nil {
				err = sameState(&s, &back, 1e-7)
			}
			if err != nil {
				t.Errorf("%s: AtPS: %v", where(), err)
			}
			tempPS.add(math.Abs(float64(back.Temperature-s.Temperature)), where)
			if !(s.SoundSpeed > 0 && s.HeatCapacity > 0 && s.Density > 0) {
				t.Errorf("%s: %+v", where(), s)
			}
		}
	})
	t.Logf("%d states: T comes back within %.2g K from h (%s), %.2g K from s (%s)",
		tempPH.count, tempPH.value, tempPH.where, tempPS.value, tempPS.where)
}

// TestTwoPhaseRoundTrips goes around inside the dome: quality to h, s and (for blends) T and back.
func TestTwoPhaseRoundTrips(t *testing.T) {
	t.Parallel()
	forEach(t, sample(Names()), func(r *Refrigerant) {
		low, _ := r.PressureRange()
		_, high := r.Curve().Range()
		for _, share := range []float64{0.02, 0.3, 0.6, 0.9} {
			p := si.Pascal(float64(low) * math.Pow(0.9*float64(high/low), share))
			for _, quality := range []float64{0.1, 0.5, 0.93} {
				where := fmt.Sprintf("%s at %s, quality %g", r.Name(), kPa(p), quality)
				s, err := r.AtPQ(p, quality)
				if err != nil {
					t.Errorf("%s: %v", where, err)
					continue
				}
				if s.Phase != TwoPhase || !near(s.Quality, quality, 0, 1e-9) {
					t.Errorf("%s: %s of quality %g", where, s.Phase, s.Quality)
				}
				if s.HeatCapacity != 0 || s.SoundSpeed != 0 {
					t.Errorf("%s: heat capacity %v and sound speed %v of two phases", where, s.HeatCapacity, s.SoundSpeed)
				}
				if back, err := r.AtPH(p, s.Enthalpy); err != nil {
					t.Errorf("%s: AtPH: %v", where, err)
				} else if err := sameState(&s, &back, 1e-7); err != nil {
					t.Errorf("%s: AtPH: %v", where, err)
				}
				if back, err := r.AtPS(p, s.Entropy); err != nil {
					t.Errorf("%s: AtPS: %v", where, err)
				} else if err := sameState(&s, &back, 1e-7); err != nil {
					t.Errorf("%s: AtPS: %v", where, err)
				}
				glide, err := r.Glide(p)
				if err != nil {
					t.Errorf("%s: %v", where, err)
				}
				bubble, err := r.Bubble(p)
				if err != nil {
					t.Errorf("%s: %v", where, err)
				}
				// p and T do not determine the state of a pure fluid or an azeotrope, which far down may
				// even boil a little below its bubble point, where the model's liquid is about to split.
				if glide < 0.05 || s.Temperature < bubble.Temperature+0.001 {
					continue
				}
				back, err := r.AtPT(p, s.Temperature)
				if err != nil {
					t.Errorf("%s: AtPT: %v", where, err)
				} else if back.Phase != TwoPhase || !near(back.Quality, quality, 0, 1e-6) {
					t.Errorf("%s: AtPT(%v) is %s of quality %.9g", where, s.Temperature, back.Phase, back.Quality)
				}
			}
		}
	})
}

// TestQualityEnds: quality 0 and 1 are the bubble and the dew point, and the mixing of phases runs
// into them without a step.
func TestQualityEnds(t *testing.T) {
	t.Parallel()
	forEach(t, sample(Names()), func(r *Refrigerant) {
		p := si.Pascal(0.3 * float64(r.high))
		for _, c := range []struct {
			quality float64
			at      func(si.Pascal) (State, error)
		}{{0, r.Bubble}, {1, r.Dew}} {
			want, err := c.at(p)
			if err != nil {
				t.Errorf("%s: %v", r.Name(), err)
				continue
			}
			got, err := r.AtPQ(p, c.quality)
			if err != nil || got != want {
				t.Errorf("%s: AtPQ(%s, %g) = %+v, %v; expected %+v", r.Name(), kPa(p), c.quality, got, err, want)
			}
			if want.Phase != Saturated || want.Pressure != p {
				t.Errorf("%s: %s at %s", r.Name(), want.Phase, kPa(want.Pressure))
			}
			inside, err := r.AtPQ(p, math.Abs(c.quality-1e-7))
			if err != nil || math.Abs(float64(inside.Enthalpy-want.Enthalpy)) > 0.2 || math.Abs(float64(inside.Temperature-want.Temperature)) > 1e-4 {
				t.Errorf("%s: beside quality %g: %+v, %v; expected %+v", r.Name(), c.quality, inside, err, want)
			}
		}
	})
}

// TestTranscritical: above its critical pressure R-744 has states but no saturation.
func TestTranscritical(t *testing.T) {
	t.Parallel()
	r := mustLookup(t, "R-744")
	for _, p := range []si.Pascal{7.4e6, 8e6, 9e6, 10e6, 12e6, 15e6} {
		last := State{Enthalpy: -1e9}
		for c := -40.0; c <= 160; c += 2.5 {
			s, err := r.AtPT(p, si.FromCelsius(c))
			if err != nil {
				t.Fatal(err)
			}
			phase := Liquid
			if s.Temperature >= r.critical.Temperature {
				phase = Supercritical
			}
			if s.Phase != phase {
				t.Errorf("%s, %g °C: %s, expected %s", kPa(p), c, s.Phase, phase)
			}
			if last.Density != 0 && !(s.Enthalpy > last.Enthalpy && s.Entropy > last.Entropy && s.Density < last.Density) {
				t.Errorf("%s, %g °C: not beyond the colder state: %+v after %+v", kPa(p), c, s, last)
			}
			last = s
			for name, back := range map[string]func() (State, error){
				"AtPH": func() (State, error) { return r.AtPH(p, s.Enthalpy) },
				"AtPS": func() (State, error) { return r.AtPS(p, s.Entropy) },
			} {
				got, err := back()
				if err == nil {
					err = sameState(&s, &got, 1e-6)
				}
				if err != nil {
					t.Errorf("%s, %g °C: %s: %v", kPa(p), c, name, err)
				}
			}
		}
		for name, call := range map[string]func() error{
			"Bubble":                func() error { _, err := r.Bubble(p); return err },
			"Dew":                   func() error { _, err := r.Dew(p); return err },
			"AtPQ":                  func() error { _, err := r.AtPQ(p, 0.5); return err },
			"Glide":                 func() error { _, err := r.Glide(p); return err },
			"Superheat":             func() error { _, err := Superheat(r, p, 310); return err },
			"Subcooling":            func() error { _, err := Subcooling(r, p, 300); return err },
			"DischargeSuperheat":    func() error { _, err := DischargeSuperheat(r, p, 380); return err },
			"CondensingTemperature": func() error { _, err := CondensingTemperature(r, p); return err },
		} {
			if err := call(); !errors.Is(err, ErrTranscritical) {
				t.Errorf("%s at %s: %v, expected the reason transcritical", name, kPa(p), err)
			}
		}
	}
}

// TestClapeyron: the slope of a saturation line is that of its neighbouring points, and for a pure
// fluid that of Clapeyron's equation, dT/dp = T (v"-v')/(h"-h').
func TestClapeyron(t *testing.T) {
	t.Parallel()
	var numeric, clapeyron worst
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		low, _ := r.PressureRange()
		_, high := r.Curve().Range()
		for _, share := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
			p := si.Pascal(float64(low) * math.Pow(float64(high/low), share))
			for _, dew := range []bool{false, true} {
				where := func() string { return fmt.Sprintf("%s at %s, dew %t", r.Name(), kPa(p), dew) }
				sol, err := r.solveAtPres(p, dew)
				if err != nil {
					t.Errorf("%s: %v", where(), err)
					continue
				}
				slope := derivative(func(lnP float64) float64 {
					s, err := r.saturation.AtPres(math.Exp(lnP), dew)
					if err != nil {
						t.Errorf("%s: %v", where(), err)
					}
					return s.Temp()
				}, math.Log(float64(p)), 4e-3) / float64(p)
				d := math.Abs(slope/sol.DTDP - 1)
				numeric.add(d, where)
				if !(d < 1e-6) {
					t.Errorf("%s: slope %g K/Pa, numeric %g", where(), sol.DTDP, slope)
				}
			}
			if r.blend != nil {
				continue
			}
			where := func() string { return r.Name() + " at " + kPa(p) }
			sol, err := r.solveAtPres(p, true)
			liquid, err1 := r.Bubble(p)
			vapour, err2 := r.Dew(p)
			if err := errors.Join(err, err1, err2); err != nil {
				t.Errorf("%s: %v", where(), err)
				continue
			}
			dv := 1/float64(vapour.Density) - 1/float64(liquid.Density)
			dh := float64(vapour.Enthalpy - liquid.Enthalpy)
			ds := float64(vapour.Entropy - liquid.Entropy)
			d := max(math.Abs(float64(vapour.Temperature)*dv/dh/sol.DTDP-1), math.Abs(dv/ds/sol.DTDP-1))
			clapeyron.add(d, where)
			if !(d < 1e-8) {
				t.Errorf("%s: slope %g K/Pa, Clapeyron's %g", where(), sol.DTDP, dv/ds)
			}
		}
	})
	t.Logf("slopes differ from numeric ones by %.2g (%s), from Clapeyron's by %.2g (%s)", numeric.value, numeric.where, clapeyron.value, clapeyron.where)
}

// derivative is the central difference of f at x, extrapolated three times to a vanishing step
// (Richardson).
func derivative(f func(float64) float64, x, h float64) float64 {
	var row [4]float64
	for k := range row {
		step := h / math.Pow(2, float64(k))
		previous := row
		row[0] = (f(x+step) - f(x-step)) / (2 * step)
		factor := 1.0
		for j := 1; j <= k; j++ {
			factor *= 4
			row[j] = row[j-1] + (row[j-1]-previous[j-1])/(factor-1)
		}
	}
	return row[3]
}

// TestHeatCapacityAndSoundSpeed compares cp with dh/dT at constant pressure and the speed of sound
// with dp/drho at constant entropy, both by differences of states.
func TestHeatCapacityAndSoundSpeed(t *testing.T) {
	t.Parallel()
	var cp, sound worst
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		states, err := singlePhaseStates(r, 5)
		if err != nil {
			t.Errorf("%s: %v", r.Name(), err)
			return
		}
		for _, s := range states {
			where := func() string {
				return fmt.Sprintf("%s %s at %s, %s", r.Name(), s.Phase, kPa(s.Pressure), celsius(s.Temperature))
			}
			temp := float64(s.Temperature)
			rho := float64(s.Density) / r.molarMass
			// The states are followed by density at constant pressure or entropy, so that no step can
			// cross a saturation line.
			density := func(tempK, pres float64) float64 {
				d, err := r.solver.Density(tempK, pres, rho*0.97, rho*1.03)
				if err != nil {
					t.Errorf("%s: %v", where(), err)
				}
				return d
			}
			numericCp := derivative(func(tempK float64) float64 {
				return float64(r.single(tempK, density(tempK, float64(s.Pressure))).Enthalpy)
			}, temp, 0.02)
			numericSq := derivative(func(lnRho float64) float64 {
				at := temp // Newton for the temperature of equal entropy; ds/dT = cv/T < cp/T
				for range 60 {
					x := r.single(at, math.Exp(lnRho))
					step := float64(s.Entropy-x.Entropy) * at / float64(s.HeatCapacity)
					at += step
					if math.Abs(step) < 1e-11*at {
						break
					}
				}
				return float64(r.single(at, math.Exp(lnRho)).Pressure)
			}, math.Log(rho), 1e-3) / float64(s.Density)
			dc := math.Abs(numericCp/float64(s.HeatCapacity) - 1)
			dw := math.Abs(math.Sqrt(numericSq)/float64(s.SoundSpeed) - 1)
			cp.add(dc, where)
			sound.add(dw, where)
			if !(dc < 1e-6) || !(dw < 1e-6) {
				t.Errorf("%s: cp %v, numeric %g; sound %v, numeric %g", where(), s.HeatCapacity, numericCp, s.SoundSpeed, math.Sqrt(numericSq))
			}
		}
	})
	t.Logf("%d states: cp differs by %.2g (%s), speed of sound by %.2g (%s)", cp.count, cp.value, cp.where, sound.value, sound.where)
}

// TestReferenceState: the bubble-point liquid at 0 °C has 200 kJ/kg and 1 kJ/(kg K).
func TestReferenceState(t *testing.T) {
	t.Parallel()
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		s, err := r.BubbleAt(si.FromCelsius(0))
		enthalpy, entropy := 200e3, 1e3
		if err != nil {
			if r.critical.Temperature > 273.15 {
				t.Errorf("%s: %v, although it has liquid at 0 °C", r.Name(), err)
			}
			enthalpy, entropy = 0, 0
			if s, err = r.Bubble(atmosphere); err != nil {
				t.Errorf("%s: %v", r.Name(), err)
			}
		}
		if !near(float64(s.Enthalpy), enthalpy, 0, 1e-6) || !near(float64(s.Entropy), entropy, 0, 1e-8) {
			t.Errorf("%s: %v, %v at %s; %s", r.Name(), s.Enthalpy, s.Entropy, celsius(s.Temperature), r.ReferenceState())
		}
	})
}

// TestCompressedLiquid follows isotherms of cold liquid to high pressure. An equation of state has
// false densities far below the true one, which a solver that starts there would take.
func TestCompressedLiquid(t *testing.T) {
	t.Parallel()
	forEach(t, sample(everyName()), func(r *Refrigerant) {
		for k := range 6 {
			// From the limit of the equations, but no colder than -90 °C where some of them are no longer
			// sound, up to 0.9 of the critical temperature.
			top := 0.9 * r.critical.Temperature
			if r.critical.Temperature == 0 {
				top = 300
			}
			cold := min(max(r.minTemp, si.FromCelsius(-90)), top)
			temp := cold + (top-cold)*(si.Kelvin(k)+0.01)/5.1
			floor := 0.0
			if s, err := r.BubbleAt(temp); err == nil {
				floor = float64(s.Density) * (1 - 1e-9)
			}
			last := State{}
			for _, p := range []si.Pascal{2e6, 5e6, 1e7, 2e7, 5e7} {
				if p > r.maxPres || p > r.high && r.critical.Pressure == 0 {
					break
				}
				s, err := r.AtPT(p, temp)
				if errors.Is(err, errors.ErrUnsupported) {
					continue // between the lines of a one-fluid equation
				}
				where := fmt.Sprintf("%s at %s, %s", r.Name(), kPa(p), celsius(temp))
				if err != nil {
					t.Errorf("%s: %v", where, err)
					break
				}
				if s.Phase != Liquid {
					continue
				}
				// Liquids lose volume and gain sound speed under pressure, and not much of either.
				if !(float64(s.Density) > floor && s.Density > last.Density && s.SoundSpeed > last.SoundSpeed && s.SoundSpeed < 3000) {
					t.Errorf("%s: %v, %v after %v, %v; saturated liquid has %g kg/m3", where, s.Density, s.SoundSpeed, last.Density, last.SoundSpeed, floor)
				}
				last = s
			}
		}
	})
}
