package diagnose

import (
	"fmt"
	"math"

	"dewline"
)

// Evidence returns what of a residual speaks for a cause and what against it, with numbers.
func Evidence(r *Residual, w *Weighed, learned bool) []string {
	from := "what is usual for such a machine"
	if learned {
		from = "what this machine does when healthy"
	}
	var out []string
	for s := range NumSymptoms {
		if !r.Has[s] {
			continue
		}
		v, z, m := r.Mean[s], r.Z(s), w.Mean[s]
		u := 2 * math.Sqrt(r.Cov[s][s])
		expected := math.Abs(m) > u/2
		seen := math.Abs(z) > 2
		if !seen && !expected {
			continue
		}
		word := "above"
		if v < 0 {
			word = "below"
		}
		text := fmt.Sprintf("%s %.1f %s %s %s (±%.1f)", r.Name(s), math.Abs(s.Shown(v)), s.Unit(), word, from, s.Shown(u))
		name := Name(w.Cause)
		switch {
		case seen && expected && (v > 0) == (m > 0):
			text += fmt.Sprintf(", as %s makes it", name)
		case seen && expected:
			text += fmt.Sprintf("; %s would move it the other way: against", name)
		case seen:
			text += fmt.Sprintf("; %s does not explain it", name)
		case math.Abs(v-m) <= u/2 && (v > 0) == (m > 0):
			text += fmt.Sprintf(", not beyond doubt, as %s makes it", name)
		default:
			text += fmt.Sprintf("; %s would move it by %+.1f %s: against", name, s.Shown(m), s.Unit())
		}
		out = append(out, text)
	}
	return out
}

// AtRest returns what the pressure of the standing machine says of a cause, "" where nothing: by how much its saturation is
// above the coldest air, K, with the standard uncertainty.
func AtRest(above, u float64, w *Weighed) string {
	text := fmt.Sprintf("at rest both pressures stand %.1f K above saturation at the coldest air (±%.1f)", above, 2*u)
	air := w.Fault == dewline.NonCondensables || w.Also == dewline.NonCondensables
	switch {
	case above > 2*u && air:
		return text + ", as air in the circuit makes it"
	case above > 2*u:
		return text + "; " + Name(w.Cause) + " does not explain it"
	case air && above < standing/2:
		return text + "; air in the circuit would lift it: against"
	}
	return ""
}

// AtRest returns what the reading of a sensor while the machine stands says of a cause, "" where nothing.
func (s *Sensor) AtRest(w *Weighed) string {
	if s.MovedU == 0 {
		return ""
	}
	scale, unit := 1.0, "K"
	if s.Point.Dimension() == dewline.Pressure {
		scale, unit = 1000, "kPa"
	}
	by, u, word := s.Moved/scale, 2*s.MovedU/scale, "above"
	if by < 0 {
		word = "below"
	}
	text := fmt.Sprintf("%s at rest %.1f %s %s what it was beside the others before (±%.1f)", s.Point, math.Abs(by), unit, word, u)
	switch its, moved := w.Point == s.Point, math.Abs(by) > u; {
	case its && !moved && s.towardAir(w.Severity):
		return text + ": a clamp that has come off its pipe reads right at rest"
	case its && moved:
		return text + ", as " + Name(w.Cause) + " makes it"
	case its:
		return text + fmt.Sprintf("; %s would move it by %+.1f %s: against", Name(w.Cause), w.Severity/scale, unit)
	case moved:
		return text + "; " + Name(w.Cause) + " does not explain it"
	}
	text += ": it is hardly the sensor"
	if along := dot(&w.Mean, &s.Direction); s.towardAir(along) { // that alone would make it look as it does
		text += ", unless its clamp has come off the pipe"
	}
	return text
}

func dot(a, b *Vector) (sum float64) {
	for s := range a {
		sum += a[s] * b[s]
	}
	return sum
}

// Name says a cause in the trade's words, with its article.
func Name(c Cause) string {
	if c.Also != "" {
		return Name(Cause{Fault: c.Fault, Detail: c.Detail}) + " together with " + Name(Cause{Fault: c.Also})
	}
	switch c.Detail {
	case "orifice_too_small":
		return "an orifice that is too small"
	case "orifice_too_large":
		return "an orifice that is too large"
	case "bulb_loose":
		return "a loose bulb"
	case valveStuck:
		return "a valve that is stuck"
	}
	switch c.Fault {
	case dewline.Undercharge:
		return "a low charge"
	case dewline.Overcharge:
		return "too much charge"
	case dewline.Restriction:
		return "a restriction"
	case dewline.Overfeed:
		return "a metering device that passes too much"
	case dewline.EvaporatorAirflow:
		return "too little air over the evaporator"
	case dewline.CondenserAirflow:
		return "too little air over the condenser"
	case dewline.NonCondensables:
		return "air in the circuit"
	case dewline.CompressorLeakage:
		return "a leaking compressor"
	case dewline.ReversingValve:
		return "a leaking reversing valve"
	case dewline.SensorFault:
		return "a wrong " + c.Detail + " sensor"
	}
	return "no fault"
}
