package view

import (
	"math"
	"slices"
	"time"

	"dewline"
)

// Size is the drawing area of a chart in pixels. A chart is drawn for a wide and for a narrow
// screen, for letters that are scaled down with a drawing cannot be read.
type Size struct {
	Width, Height float64
	Labels        int     // that fit along the time axis
	Names         float64 // room on the right for names
}

// The sizes of the charts of a system's page.
var (
	Wide   = Size{960, 340, 9, 104}
	Narrow = Size{400, 300, 4, 92}
)

// Margins of a chart, in pixels: room for the labels of the axes, words on top, time below.
const (
	marginLeft   = 40.0
	marginTop    = 34.0
	marginBottom = 34.0
)

// Tick is a label on an axis.
type Tick struct {
	At    float64 // pixels
	Label string
}

// Mark is something that happened, as a tick with a word on a chart.
type Mark struct {
	At   dewline.Millis
	Word string
	Kind string // "alert", "event" or "doubt"
}

// DrawnMark is a Mark in its place. Text is "" where the word would lie on another one; the list
// below the chart has them all.
type DrawnMark struct {
	X, TextY   float64
	Text, Kind string
	End        bool // the text ends at X: there is no room on the right
}

// Box is a rectangle in pixels.
type Box struct{ X, Y, Width, Height float64 }

// Now is the newest value with its expanded uncertainty as a vertical hair.
type Now struct{ X, Y, Top, Bottom float64 }

// Waterline is the full chart of superheat and subcooling around the saturation line.
type Waterline struct {
	Size
	Plot                 Box
	Line                 float64 // height of the saturation line
	Times, Kelvins       []Tick
	SuperStrip, SubStrip *Box
	Super, Sub           string // traces
	SuperOut, SubOut     string // what lies outside the strips
	SuperBelow, SubBelow string // values below zero, across the line
	Running              string // bars of running time
	Marks                []DrawnMark
	Nows                 []Now
	Empty                bool // there is no value at all
	Label                string
	SuperWords, SubWords string     // what values below zero mean, "" without any
	Outline              string     // the same span before
	Names                []Name     // of what lies below zero, in the drawing
	SideWords            []SideWord // what stands above the line, the line itself, and what hangs below it
}

// Name is a word in the drawing.
type Name struct {
	X, Y float64
	Text string
	End  bool // the text ends at X
}

// SideWord is a word beside the drawing.
type SideWord struct {
	X, Y float64
	Text string
	Line bool // it is the saturation line
}

// Outline is superheat and subcooling of another span, moved to the one that is drawn.
type Outline struct {
	Times                 []dewline.Millis
	Superheat, Subcooling []float64
}

func (o Outline) empty() bool {
	return !slices.ContainsFunc(o.Superheat, isNumber) && !slices.ContainsFunc(o.Subcooling, isNumber)
}

// WaterlineData is what a Waterline is drawn from.
type WaterlineData struct {
	From, To              dewline.Millis
	Zone                  *time.Location
	Times                 []dewline.Millis
	Superheat, Subcooling []float64 // NaN where there is no value
	Running               []float64 // share of each row that the compressor ran, NaN unknown; nil if not known at all
	Step                  time.Duration
	SuperBand, SubBand    Band
	Marks                 []Mark
	Before                Outline
	Idiom                 Idiom
	State                 dewline.SystemState // for the dots of now, where it lies in [From, To)
}

// NewWaterline draws superheat above and subcooling below the saturation line, to one scale.
func NewWaterline(d WaterlineData, size Size) Waterline {
	plot := Box{marginLeft, marginTop, size.Width - marginLeft - size.Names, size.Height - marginTop - marginBottom}
	up := roomFor(slices.Concat(d.Superheat, d.Before.Superheat), slices.Concat(d.Subcooling, d.Before.Subcooling), d.SuperBand, 8, 30)
	down := roomFor(slices.Concat(d.Subcooling, d.Before.Subcooling), slices.Concat(d.Superheat, d.Before.Superheat), d.SubBand, 6, 25)
	above := scale{-down, up, plot.Y + plot.Height, plot.Y}
	below := scale{-up, down, plot.Y, plot.Y + plot.Height}
	along := scale{float64(d.From), float64(d.To), plot.X, plot.X + plot.Width}
	x := middles(d.Times, d.Step, along)
	super, sub := whileRunning(d.Superheat, d.Running), whileRunning(d.Subcooling, d.Running)
	until := Reader{Now: d.To.Time(), Zone: d.Zone, Idiom: d.Idiom}
	w := Waterline{
		Size: size, Plot: plot, Line: above.at(0),
		Super: trace(x, d.Superheat, above), Sub: trace(x, d.Subcooling, below),
		SuperOut:   beyond(x, super, d.SuperBand.Low, -1, above) + beyond(x, super, d.SuperBand.High, 1, above),
		SubOut:     beyond(x, sub, d.SubBand.Low, -1, below) + beyond(x, sub, d.SubBand.High, 1, below),
		SuperBelow: beyond(x, super, 0, -1, above), SubBelow: beyond(x, sub, 0, -1, below),
		SuperStrip: strip(d.SuperBand, above, plot), SubStrip: strip(d.SubBand, below, plot),
		Running: runningBars(x, d.Running, along, d.Step, plot.Y+plot.Height+3),
		Marks:   drawMarks(d.Marks, d.From, d.To, along, plot),
		Empty:   !slices.ContainsFunc(d.Superheat, isNumber) && !slices.ContainsFunc(d.Subcooling, isNumber),
		Label:   d.Idiom.Say("Superheat above and subcooling below the saturation line, {1} to {2}", until.Clock(d.From), until.Clock(d.To)),
	}
	if w.SuperBelow != "" {
		w.SuperWords = d.Idiom.Say("Superheat below zero (hatched, under the line): wet gas, or a wrong sensor.")
	}
	if w.SubBelow != "" {
		w.SubWords = d.Idiom.Say("Subcooling below zero (hatched, above the line): flash gas, or a wrong sensor.")
	}
	for _, t := range timeTicks(d.From, d.To, d.Zone, size.Labels, d.Idiom) {
		w.Times = append(w.Times, Tick{along.at(float64(t.at.UnixMilli())), t.label})
	}
	kelvin := shownAs("K", d.Idiom)
	for _, k := range ticks(kelvin.delta(-down), kelvin.delta(up), int(plot.Height/32)) {
		w.Kelvins = append(w.Kelvins, Tick{above.at(k / kelvin.Factor), Decimal(math.Abs(k), 0)})
	}
	if !d.Before.empty() {
		earlier := middles(d.Before.Times, d.Step, along)
		w.Outline = trace(earlier, d.Before.Superheat, above) + trace(earlier, d.Before.Subcooling, below)
	}
	w.name(x, super, above, 16, d.Idiom.Say("wet gas, or wrong sensor"))
	w.name(x, sub, below, -8, d.Idiom.Say("flash gas, or wrong sensor"))
	w.now(d, above, below, along)
	w.sideWords(d.Idiom)
	return w
}

// sideWords writes at the line's end what it is, what stands above it and what hangs below it, and at each
// strip that it is what is expected.
func (w *Waterline) sideWords(u Idiom) {
	const line = 17.0
	x := w.Plot.X + w.Plot.Width + 6
	w.SideWords = []SideWord{{x, w.Line - line, u.Say("superheat ↑"), false}, {x, w.Line, u.Say("saturation line"), true}, {x, w.Line + line, u.Say("subcooling ↓"), false}}
	for _, s := range []*Box{w.SuperStrip, w.SubStrip} {
		if s == nil {
			continue
		}
		top, bottom := max(s.Y, w.Plot.Y), min(s.Y+s.Height, w.Plot.Y+w.Plot.Height)
		if middle := (top + bottom) / 2; top < bottom && math.Abs(middle-w.Line) > 2*line {
			w.SideWords = append(w.SideWords, SideWord{x, middle, u.Say("expected"), false})
		}
	}
}

// middles places rows: a mean over [t, t+step) belongs to its middle.
func middles(times []dewline.Millis, step time.Duration, along scale) []float64 {
	x := make([]float64, len(times))
	for i, t := range times {
		x[i] = along.at(float64(t) + float64(step.Milliseconds())/2)
	}
	return x
}

// name writes beside the lowest of the values below zero what they mean, so many pixels from it.
func (w *Waterline) name(x, values []float64, y scale, off float64, text string) {
	lowest := -1
	for i, v := range values {
		if v < 0 && (lowest < 0 || v < values[lowest]) {
			lowest = i
		}
	}
	if lowest < 0 {
		return
	}
	const letter = 6.4
	n := Name{X: x[lowest] + 4, Y: y.at(values[lowest]) + off, Text: text}
	if n.X+letter*float64(len(text)) > w.Plot.X+w.Plot.Width {
		n.End, n.X = true, x[lowest]-4
	}
	w.Names = append(w.Names, n)
}

// whileRunning returns the values of the rows in which the compressor ran for the most part, or in
// which that is not known. While it stands still superheat and subcooling mean nothing, so what
// leaves its strip then is drawn but not filled.
func whileRunning(values, running []float64) []float64 {
	if len(running) != len(values) {
		return values
	}
	judged := slices.Clone(values)
	for i, share := range running {
		if share < 0.5 {
			judged[i] = math.NaN()
		}
	}
	return judged
}

func isNumber(v float64) bool { return !math.IsNaN(v) }

// roomFor returns how many kelvin a side of the line needs: its own values, its band, and what the
// other side's values below zero reach across the line.
func roomFor(own, other []float64, band Band, least, most float64) float64 {
	need := least
	for _, v := range own {
		if v > need {
			need = v
		}
	}
	for _, v := range other {
		if -v > need {
			need = -v
		}
	}
	if !math.IsInf(band.High, 0) {
		need = max(need, band.High)
	}
	return min(math.Ceil(need*1.1), most)
}

func strip(b Band, y scale, plot Box) *Box {
	if !b.Stated() {
		return nil
	}
	edge1, edge2 := y.at(max(b.Low, 0)), y.at(b.High)
	return &Box{plot.X, min(edge1, edge2), plot.Width, math.Abs(edge1 - edge2)}
}

// runningBars draws a bar under the plot for each row in which the compressor ran, as wide as the
// share of it.
func runningBars(x, running []float64, along scale, step time.Duration, top float64) string {
	if len(running) == 0 {
		return ""
	}
	width := along.at(along.from+float64(step.Milliseconds())) - along.pixelFrom
	if width <= 0 && len(x) > 1 { // as stored: a reading lasts until the next
		width = (x[len(x)-1] - x[0]) / float64(len(x)-1)
	}
	var p path
	begin, end := math.NaN(), math.NaN()
	flush := func() {
		if !math.IsNaN(begin) {
			p.rect(begin, top, end-begin, 3)
		}
	}
	for i, share := range running {
		if math.IsNaN(share) || share <= 0 {
			continue
		}
		left := x[i] - width/2
		right := left + width*min(share, 1)
		if left <= end+0.2 { // joins the bar before; NaN never does
			end = right
			continue
		}
		flush()
		begin, end = left, right
	}
	flush()
	return p.String()
}

// drawMarks places the words of marks on two lines over the plot, and leaves out those that would
// lie on another one.
func drawMarks(marks []Mark, from, to dewline.Millis, along scale, plot Box) []DrawnMark {
	const letter = 6.4 // pixels, of the small type
	var all []DrawnMark
	var ends [2]float64
	sorted := slices.Clone(marks)
	slices.SortStableFunc(sorted, func(a, b Mark) int { return int(a.At - b.At) })
	for _, m := range sorted {
		if m.At < from || m.At >= to {
			continue
		}
		d := DrawnMark{X: along.at(float64(m.At)), Kind: m.Kind}
		width := letter * float64(len([]rune(m.Word)))
		left := d.X + 4
		if left+width > plot.X+plot.Width {
			d.End, left = true, d.X-4-width
		}
		for line := range ends {
			if left >= ends[line] {
				ends[line] = left + width + 8
				d.Text, d.TextY = m.Word, plot.Y-20+14*float64(line)
				break
			}
		}
		all = append(all, d)
	}
	return all
}

func (w *Waterline) now(d WaterlineData, above, below, along scale) {
	s := d.State
	if !s.Running || s.At < d.From || s.At >= d.To {
		return
	}
	for _, side := range []struct {
		d dewline.Derived
		y scale
	}{{dewline.Superheat, above}, {dewline.Subcooling, below}} {
		e, ok := s.Values[side.d]
		if !ok || !e.OK() {
			continue
		}
		hair := Coverage * e.Uncertainty
		w.Nows = append(w.Nows, Now{along.at(float64(s.At)), side.y.at(e.Value), side.y.at(e.Value + hair), side.y.at(e.Value - hair)})
	}
}
