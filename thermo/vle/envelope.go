package vle

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// node is one traced point of a branch with its derivatives by the density gap.
type node struct {
	at   Equilibrium
	byDS Equilibrium // d/d gap
}

// branch is the bubble or the dew line from low pressure toward the critical point: the gap falls
// from node to node.
type branch struct {
	beta  float64
	nodes []node
	top   int // the last node up to which pressure rises
}

// Envelope is the traced saturation boundary of a mixture: the start of every later solution and
// the place where its critical point is known from. It is read-only after Trace.
type Envelope struct {
	s         *Solver
	branches  [2]branch // bubble, dew
	CritTemp  float64   // K; 0 where the lines end before they meet, and so for the two below
	CritPres  float64   // Pa
	CritRho   float64   // mol/m3
	maxBubble float64   // ln of the highest pressure on the bubble line, the critical point included
}

const (
	gapStep = 0.2  // along the march; the interpolation between nodes is then good to about 1e-5
	gapEnd  = 0.04 // where the march ends and the critical point is extrapolated
	foldGap = 0.9  // below it a line may end early: a few mixtures fold just under their critical point
)

// Trace follows both branches from a temperature where pressure is low and the solution easy up to
// the critical point and down to lowK. Far down a dew line may end early, where the liquid of the
// model splits in two; TempRange says how far it came.
func Trace(s *Solver, lowK float64) (*Envelope, error) {
	env := &Envelope{s: s}
	for k, beta := range []float64{0, 1} {
		b, err := s.traceBranch(lowK, beta)
		if err != nil {
			return nil, err
		}
		env.branches[k] = b
	}
	env.critical()
	return env, nil
}

func (s *Solver) traceBranch(lowK, beta float64) (branch, error) {
	b := branch{beta: beta}
	first, err := s.firstNode(lowK, beta)
	if err != nil {
		return b, err
	}
	// Down: the nodes come in falling order of temperature and are turned round afterwards.
	b.nodes = append(b.nodes, first)
	for b.last().at.Temp() > lowK*(1+1e-6) {
		if b.last().byDS.LnT >= 0 { // the line turns back: the end of one liquid
			b.nodes = b.nodes[:len(b.nodes)-1]
			break
		}
		if err := s.advance(&b, gapStep); err != nil {
			break
		}
	}
	s.endAt(&b, lowK)
	slices.Reverse(b.nodes)
	// Up: toward the critical point the step halves, so that the extrapolation to it is well founded.
	for gap := b.last().at.gap(); gap > gapEnd; gap = b.last().at.gap() {
		if err := s.advance(&b, -min(gapStep, gap/2)); err != nil {
			if gap < foldGap {
				break
			}
			return b, fmt.Errorf("envelope at %.2f K, %.4g Pa: %w", b.last().at.Temp(), b.last().at.Pres(), err)
		}
	}
	for b.last().byDS.LnT >= 0 && b.last().at.gap() > gapEnd {
		b.nodes = b.nodes[:len(b.nodes)-1]
	}
	b.top = len(b.nodes) - 1
	for k := 1; k < len(b.nodes); k++ {
		if b.nodes[k].at.LnP <= b.nodes[k-1].at.LnP {
			b.top = k - 1
			break
		}
	}
	return b, nil
}

// endAt moves the last node, which a step has taken beyond lowK, back to it: below lowK the
// equations are not valid, and a substance may have no liquid.
func (s *Solver) endAt(b *branch, lowK float64) {
	k := len(b.nodes) - 1
	if k == 0 || b.last().at.Temp() >= lowK {
		return
	}
	lnT, hold := math.Log(lowK), spec{fixBeta, b.beta}
	start := s.between(b.last(), &b.nodes[k-1], lnT, func(e *Equilibrium) float64 { return e.LnT })
	at, _, err := s.refine(start, spec{fixTemp, lnT}, hold)
	if err != nil {
		return
	}
	if at, tangent, err := s.refine(at, spec{fixGap, at.gap()}, hold); err == nil {
		b.nodes[k] = node{at, tangent}
	}
}

// firstNode solves the first point of a branch: at the lowest temperature if it can, else where
// the mixture is closer to its critical point and less far from ideal.
func (s *Solver) firstNode(lowK, beta float64) (node, error) {
	var lastErr error
	var mean float64
	for i := range s.n {
		mean += s.z[i] * s.model.CriticalTemp(i)
	}
	hold := spec{fixBeta, beta}
	for _, part := range []float64{0.68, 0.72, 0.64, 0.76, 0.6} {
		tempK := max(lowK, part*mean)
		at, _, err := s.refine(s.start(tempK, beta), spec{fixTemp, math.Log(tempK)}, hold)
		if err == nil {
			var tangent Equilibrium
			at, tangent, err = s.refine(at, spec{fixGap, at.gap()}, hold)
			if err == nil && tangent.LnT < 0 {
				return node{at, tangent}, nil
			}
		}
		lastErr = fmt.Errorf("start of the envelope at %.2f K: %w", tempK, cmp.Or(err, ErrNoConvergence))
	}
	return node{}, lastErr
}

// advance appends the node whose gap differs by step from the last one's; it goes there by smaller
// steps when it must.
func (s *Solver) advance(b *branch, step float64) error {
	gap := b.last().at.gap()
	for {
		want := s.predict(b, gap+step)
		next, t, err := s.refine(want, spec{fixGap, gap + step}, spec{fixBeta, b.beta})
		if err == nil && sameLine(&want, &next, step) {
			b.nodes = append(b.nodes, node{next, t})
			return nil
		}
		if step /= 2; math.Abs(step) < 1e-3 {
			return cmp.Or(err, ErrNoConvergence)
		}
	}
}

func (b *branch) last() *node { return &b.nodes[len(b.nodes)-1] }

// predict extrapolates the branch to the gap: by the tangent from one node, by the cubic through
// two nodes and their tangents later.
func (s *Solver) predict(b *branch, gap float64) Equilibrium {
	c := b.last()
	if len(b.nodes) == 1 {
		e := c.at
		e.axpy(s.n, gap-c.at.gap(), &c.byDS)
		return e
	}
	return s.hermite(&b.nodes[len(b.nodes)-2], c, gap)
}

// hermite evaluates the cubic through two nodes at the gap.
func (s *Solver) hermite(p, q *node, gap float64) Equilibrium {
	h := q.at.gap() - p.at.gap()
	t := (gap - p.at.gap()) / h
	t2, t3 := t*t, t*t*t
	e := p.at.scaled(s.n, 2*t3-3*t2+1)
	e.axpy(s.n, h*(t3-2*t2+t), &p.byDS)
	e.axpy(s.n, -2*t3+3*t2, &q.at)
	e.axpy(s.n, h*(t3-t2), &q.byDS)
	return e
}

// critical extrapolates the branches to a vanishing gap. Temperature and pressure are smooth
// through the critical point, where the branches meet.
func (env *Envelope) critical() {
	var lnT, lnP, lnRho, count float64
	for k := range env.branches {
		b := &env.branches[k]
		if b.last().at.gap() > gapEnd {
			continue
		}
		e := env.s.hermite(&b.nodes[len(b.nodes)-2], b.last(), 0)
		lnT += e.LnT
		lnP += e.LnP
		lnRho += (e.LnRhoL + e.LnRhoV) / 2
		count++
	}
	if count == 0 { // both lines fold before: the model has no critical point to show
		env.maxBubble = env.branches[0].nodes[env.branches[0].top].at.LnP
		return
	}
	lnT, lnP, lnRho = lnT/count, lnP/count, lnRho/count
	env.CritTemp, env.CritPres, env.CritRho = math.Exp(lnT), math.Exp(lnP), math.Exp(lnRho)
	env.maxBubble = max(env.branches[0].nodes[env.branches[0].top].at.LnP, lnP)
}

// MaxBubblePres returns the highest pressure on the bubble line in Pa.
func (env *Envelope) MaxBubblePres() float64 { return math.Exp(env.maxBubble) }

// PresRange returns the pressures in Pa over which both bubble and dew points can be solved.
func (env *Envelope) PresRange() (low, high float64) {
	a, b := &env.branches[0], &env.branches[1]
	low = max(a.nodes[0].at.LnP, b.nodes[0].at.LnP)
	high = min(a.nodes[a.top].at.LnP, b.nodes[b.top].at.LnP)
	return math.Exp(low - rounding), math.Exp(high + rounding)
}

// rounding widens the ends of the lines, so that a value that is the end but for the rounding of
// its logarithm is not outside.
const rounding = 1e-12

// TempRange returns the temperatures in K of one branch (dew or bubble) over the pressures that it
// can be solved for.
func (env *Envelope) TempRange(dew bool) (low, high float64) {
	b := env.branch(dew)
	return math.Exp(b.nodes[0].at.LnT - rounding), math.Exp(b.nodes[b.top].at.LnT + rounding)
}

func (env *Envelope) branch(dew bool) *branch {
	if dew {
		return &env.branches[1]
	}
	return &env.branches[0]
}

// sameLine says whether a solved point lies where the line was predicted. Equations of state have
// false solutions beside the true ones, and a long step may end on one.
func sameLine(want, got *Equilibrium, step float64) bool {
	return math.Abs(got.LnT-want.LnT) < 0.03*math.Abs(step) && math.Abs(got.LnRhoL-want.LnRhoL) < 0.25*math.Abs(step)
}

// Solution is an equilibrium with the slope of the saturation line through it.
type Solution struct {
	Equilibrium
	DTDP float64 // dT/dp along the line at fixed vapour fraction, K/Pa
}

// AtPres solves the bubble or dew point at presPa.
func (env *Envelope) AtPres(presPa float64, dew bool) (Solution, error) {
	lnP := math.Log(presPa)
	return env.at(lnP, dew, fixPres, func(e *Equilibrium) float64 { return e.LnP })
}

// AtTemp solves the bubble or dew point at tempK.
func (env *Envelope) AtTemp(tempK float64, dew bool) (Solution, error) {
	return env.at(math.Log(tempK), dew, fixTemp, func(e *Equilibrium) float64 { return e.LnT })
}

func (env *Envelope) at(value float64, dew bool, kind specKind, of func(*Equilibrium) float64) (Solution, error) {
	b := env.branch(dew)
	lo, hi := 0, b.top
	if !(value >= of(&b.nodes[lo].at)-2*rounding && value <= of(&b.nodes[hi].at)+2*rounding) {
		return Solution{}, ErrOutside
	}
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; of(&b.nodes[mid].at) <= value {
			lo = mid
		} else {
			hi = mid
		}
	}
	start := env.s.between(&b.nodes[lo], &b.nodes[hi], value, of)
	e, t, err := env.s.refine(start, spec{kind, value}, spec{fixBeta, b.beta})
	if err != nil {
		return Solution{}, err
	}
	// The tangent is along ln p or ln T; their ratio is the slope either way.
	return Solution{e, t.LnT / t.LnP * e.Temp() / e.Pres()}, nil
}

// between finds the point of the cubic between two nodes where of has the value.
func (s *Solver) between(p, q *node, value float64, of func(*Equilibrium) float64) Equilibrium {
	gapP, gapQ := p.at.gap(), q.at.gap()
	vp, vq := of(&p.at), of(&q.at)
	gap := gapP + (gapQ-gapP)*(value-vp)/(vq-vp)
	for range 3 { // secant steps with the mean slope: the cubic is nearly straight
		e := s.hermite(p, q, gap)
		gap += (gapQ - gapP) * (value - of(&e)) / (vq - vp)
		gap = min(max(gap, gapQ), gapP)
	}
	return s.hermite(p, q, gap)
}

// ErrOutside says that the value lies beyond what was traced.
var ErrOutside = fmt.Errorf("outside the traced envelope")

// AtFraction solves the two-phase state of molar vapour fraction beta between the bubble and the dew
// point of one pressure.
func (env *Envelope) AtFraction(beta float64, bub, dew *Equilibrium) (Equilibrium, error) {
	return env.s.fraction(bub, dew, beta, maxHalvings)
}

// maxHalvings bounds how finely fraction divides its way.
const maxHalvings = 6

// fraction solves the state of vapour fraction beta at the pressure of two states that enclose it,
// started between them. Where they are too far apart for that it goes there by halves.
func (s *Solver) fraction(from, to *Equilibrium, beta float64, halvings int) (Equilibrium, error) {
	share := (beta - from.Beta) / (to.Beta - from.Beta)
	start := from.scaled(s.n, 1-share)
	start.axpy(s.n, share, to)
	e, _, err := s.refine(start, spec{fixPres, from.LnP}, spec{fixBeta, beta})
	if err == nil && near(&e, &start, from, to) {
		return e, nil
	}
	if halvings == 0 {
		return e, cmp.Or(err, ErrNoConvergence)
	}
	mid, err := s.fraction(from, to, (from.Beta+beta)/2, halvings-1)
	if err != nil {
		return mid, err
	}
	return s.fraction(&mid, to, beta, halvings-1)
}

// near says whether a solution is near where it was expected between two states: nearer than a
// third of their distance in temperature and densities. Equations of state have false solutions
// beside the true ones, and those are further off.
func near(got, want, from, to *Equilibrium) bool {
	close := func(of func(*Equilibrium) float64) bool {
		return math.Abs(of(got)-of(want)) < 1e-3+math.Abs(of(to)-of(from))/3
	}
	return got.gap() > 0 &&
		close(func(e *Equilibrium) float64 { return e.LnT }) &&
		close(func(e *Equilibrium) float64 { return e.LnRhoL }) &&
		close(func(e *Equilibrium) float64 { return e.LnRhoV })
}

// AtTempBetween solves the two-phase state at a temperature between the bubble and the dew point of
// one pressure. They close in on it by their vapour fraction, so that no other solution is taken.
func (env *Envelope) AtTempBetween(tempK float64, bub, dew *Equilibrium) (Equilibrium, error) {
	s, lnT := env.s, math.Log(tempK)
	from, to := *bub, *dew
	for range 60 {
		beta := from.Beta + (to.Beta-from.Beta)*(lnT-from.LnT)/(to.LnT-from.LnT)
		// Never closer to an end than a tenth of the way: the line is curved.
		beta = min(max(beta, 0.9*from.Beta+0.1*to.Beta), 0.1*from.Beta+0.9*to.Beta)
		e, err := s.fraction(&from, &to, beta, maxHalvings)
		if err != nil {
			return e, err
		}
		if math.Abs(e.LnT-lnT) < 0.05*(dew.LnT-bub.LnT) || to.Beta-from.Beta < 1e-6 {
			last, _, err := s.refine(e, spec{fixPres, e.LnP}, spec{fixTemp, lnT})
			if err == nil && last.Beta >= from.Beta && last.Beta <= to.Beta {
				return last, nil
			}
		}
		if e.LnT < lnT {
			from = e
		} else {
			to = e
		}
	}
	return Equilibrium{}, ErrNoConvergence
}
