package papers

import (
	"image"
	"image/color"
	"math"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// canvas lets gonum/plot draw straight onto a page, so that a chart is sharp at any size and its words
// can be found. Points of a chart count from its lower left corner, upwards, in points; a page's count
// downwards in mm.
type canvas struct {
	pdf   *fpdf.Fpdf
	now   pen
	stack []pen
}

// pen is what Push saves.
type pen struct {
	m      [6]float64 // x' = m0 x + m2 y + m4, y' = m1 x + m3 y + m5
	width  vg.Length
	dash   []vg.Length
	offset vg.Length
	color  color.Color
}

const mmPerPoint = 25.4 / 72

// newCanvas draws into the rectangle whose lower left corner is at x, y of the page.
func newCanvas(pdf *fpdf.Fpdf, x, y float64) *canvas {
	return &canvas{pdf: pdf, now: pen{m: [6]float64{mmPerPoint, 0, 0, -mmPerPoint, x, y}, width: 1, color: color.Black}}
}

func (c *canvas) SetLineWidth(w vg.Length)                     { c.now.width = w }
func (c *canvas) SetLineDash(dash []vg.Length, from vg.Length) { c.now.dash, c.now.offset = dash, from }
func (c *canvas) Push()                                        { c.stack = append(c.stack, c.now) }

func (c *canvas) SetColor(to color.Color) {
	if to == nil {
		to = color.Black
	}
	c.now.color = to
}

func (c *canvas) Pop() {
	if n := len(c.stack); n > 0 {
		c.now, c.stack = c.stack[n-1], c.stack[:n-1]
	}
}

// transform puts t before what there is.
func (c *canvas) transform(t [6]float64) {
	m := c.now.m
	c.now.m = [6]float64{
		m[0]*t[0] + m[2]*t[1], m[1]*t[0] + m[3]*t[1],
		m[0]*t[2] + m[2]*t[3], m[1]*t[2] + m[3]*t[3],
		m[0]*t[4] + m[2]*t[5] + m[4], m[1]*t[4] + m[3]*t[5] + m[5],
	}
}

func (c *canvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.transform([6]float64{cos, sin, -sin, cos, 0, 0})
}

func (c *canvas) Translate(p vg.Point) {
	c.transform([6]float64{1, 0, 0, 1, float64(p.X), float64(p.Y)})
}

func (c *canvas) Scale(x, y float64) { c.transform([6]float64{x, 0, 0, y, 0, 0}) }

func (c *canvas) at(p vg.Point) (x, y float64) {
	m := c.now.m
	return m[0]*float64(p.X) + m[2]*float64(p.Y) + m[4], m[1]*float64(p.X) + m[3]*float64(p.Y) + m[5]
}

func (c *canvas) colors() {
	r, g, b, _ := c.now.color.RGBA()
	c.pdf.SetDrawColor(int(r>>8), int(g>>8), int(b>>8))
	c.pdf.SetFillColor(int(r>>8), int(g>>8), int(b>>8))
	c.pdf.SetTextColor(int(r>>8), int(g>>8), int(b>>8))
}

func (c *canvas) Stroke(path vg.Path) {
	if c.now.width <= 0 {
		return
	}
	dash := make([]float64, len(c.now.dash))
	for i, d := range c.now.dash {
		dash[i] = float64(d) * mmPerPoint
	}
	c.pdf.SetLineWidth(float64(c.now.width) * mmPerPoint)
	c.pdf.SetDashPattern(dash, float64(c.now.offset)*mmPerPoint)
	c.draw(path, "D")
	c.pdf.SetDashPattern(nil, 0)
}

func (c *canvas) Fill(path vg.Path) { c.draw(path, "F") }

func (c *canvas) draw(path vg.Path, style string) {
	c.colors()
	for _, p := range path {
		x, y := c.at(p.Pos)
		switch p.Type {
		case vg.MoveComp:
			c.pdf.MoveTo(x, y)
		case vg.LineComp:
			c.pdf.LineTo(x, y)
		case vg.CurveComp:
			c.curve(p, x, y)
		case vg.ArcComp:
			c.arc(p)
		case vg.CloseComp:
			c.pdf.ClosePath()
		}
	}
	c.pdf.DrawPath(style)
}

func (c *canvas) curve(p vg.PathComp, x, y float64) {
	x1, y1 := c.at(p.Control[0])
	if len(p.Control) == 1 {
		c.pdf.CurveTo(x1, y1, x, y)
		return
	}
	x2, y2 := c.at(p.Control[1])
	c.pdf.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
}

// arc is made of short lines: a marker is some points wide.
func (c *canvas) arc(p vg.PathComp) {
	const parts = 24
	for i := range parts + 1 {
		sin, cos := math.Sincos(p.Start + p.Angle*float64(i)/parts)
		c.pdf.LineTo(c.at(vg.Point{X: p.Pos.X + p.Radius*vg.Length(cos), Y: p.Pos.Y + p.Radius*vg.Length(sin)}))
	}
}

func (c *canvas) FillString(f font.Face, p vg.Point, text string) {
	if f.Font.Size <= 0 || text == "" {
		return
	}
	c.colors()
	x, y := c.at(p)
	c.pdf.SetFont(face, "", float64(f.Font.Size))
	angle := math.Atan2(-c.now.m[1], c.now.m[0]) * 180 / math.Pi
	if math.Abs(angle) < 1e-9 {
		c.pdf.Text(x, y, clean(text))
		return
	}
	c.pdf.TransformBegin()
	c.pdf.TransformRotate(angle, x, y)
	c.pdf.Text(x, y, clean(text))
	c.pdf.TransformEnd()
}

// DrawImage does nothing: our charts have no pictures in them.
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {}
