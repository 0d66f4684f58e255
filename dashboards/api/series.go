package api

import (
	"bufio"
	"context"
	"io"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"dewline"
)

// Series describes the JSON of a series for the document of the API; it is written by hand, column
// by column, because ten thousand rows through reflection would be made of garbage.
type Series struct {
	System string            `json:"system"`
	StepS  float64           `json:"step_s" doc:"Seconds from row to row, 0 where the readings are as stored."`
	Times  []string          `json:"times" format:"date-time" doc:"One row each; with a step, the beginning of the span that it sums up."`
	Points map[string]Column `json:"points"`
}

// Column describes the JSON of one quantity of a series.
type Column struct {
	Unit   string     `json:"unit"`
	Values []*float64 `json:"values" doc:"As stored, or the mean over the step; null where there is none."`
	Min    []*float64 `json:"min,omitempty" doc:"With a step only."`
	Max    []*float64 `json:"max,omitempty" doc:"With a step only."`
}

type seriesInput struct {
	Site   string `path:"site" example:"quay-library"`
	System string `path:"system" example:"hall-ac"`
	Points string `query:"points" doc:"Points and derived values, with commas between; the latter also with _u for their standard uncertainty." example:"superheat,subcooling"`
	From   string `query:"from" format:"date-time" doc:"Rows from this time on; a day before to if absent."`
	To     string `query:"to" format:"date-time" doc:"Rows before this time; now if absent."`
	Step   string `query:"step" doc:"Seconds, or such as 15m, 6h, 1d: means over this span with minimum and maximum. As stored if absent." example:"900"`
}

// maxPoints bounds the columns of one answer: more than all points and derived values with their
// uncertainties nobody can need.
const maxPoints = 64

func (h *handler) registerSeries(api huma.API) {
	op := operation("get-series", dewline.ReadMachines, "/systems/{site}/{system}/series", "Series of one system",
		"Readings and derived values as stored, or summed up over a step. At most 10,000 rows: beyond, the error says the smallest step that would do.",
		400, 404, 503)
	op.Responses["200"] = &huma.Response{
		Description: "OK",
		Content: map[string]*huma.MediaType{"application/json": {
			Schema: api.OpenAPI().Components.Schemas.Schema(typeOf[Series](), true, "Series"),
		}},
	}
	huma.Register(api, op, h.series)
}

func (h *handler) series(ctx context.Context, in *seriesInput) (*huma.StreamResponse, error) {
	if h.Series == nil {
		return nil, unavailable("series")
	}
	sys, err := enrolled(h.Overview.Fleet(ctx), in.Site, in.System)
	if err != nil {
		return nil, err
	}
	q, err := h.seriesQuery(sys.ID, in)
	if err != nil {
		return nil, err
	}
	s, err := h.Series.ReadSeries(ctx, q)
	if err != nil {
		return nil, h.fail(ctx, "series", err)
	}
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		ctx.SetHeader("Content-Type", "application/json")
		ctx.SetStatus(http.StatusOK)
		writeSeries(ctx.BodyWriter(), s) // an error means that whoever asked has gone
	}}, nil
}

func (h *handler) seriesQuery(id dewline.SystemID, in *seriesInput) (dewline.SeriesQuery, error) {
	q := dewline.SeriesQuery{System: id}
	var err error
	if q.Quantities, err = parsePoints(in.Points); err != nil {
		return q, err
	}
	if q.From, q.To, err = parseSpan(in.From, in.To, dewline.MillisOf(h.Now()), 24*time.Hour); err != nil {
		return q, err
	}
	if q.Step, err = parseStep(in.Step); err != nil {
		return q, err
	}
	if q.Step > 0 {
		// Known before anything is read. The rows begin at from, so that their number is exact.
		span := time.Duration(q.To-q.From) * time.Millisecond
		if rows := (span + q.Step - 1) / q.Step; rows > dewline.MaxSeriesRows {
			return q, tooManyRows((span + dewline.MaxSeriesRows - 1) / dewline.MaxSeriesRows)
		}
	}
	return q, nil
}

func parsePoints(text string) ([]string, error) {
	if strings.TrimSpace(text) == "" {
		return nil, refused("points", "name at least one, such as points=superheat,subcooling; there are %s", strings.Join(quantities(), ", "))
	}
	var names []string
	for name := range strings.SplitSeq(text, ",") {
		name = strings.TrimSpace(name)
		switch {
		case !knownQuantity(name):
			return nil, refused("points", "%q is neither a point nor a derived value; there are %s", name, strings.Join(quantities(), ", "))
		case slices.Contains(names, name):
			return nil, refused("points", "%s is named twice", name)
		case len(names) == maxPoints:
			return nil, refused("points", "more than %d: ask in several requests", maxPoints)
		}
		names = append(names, name)
	}
	return names, nil
}

func knownQuantity(name string) bool {
	if p, ok := dewline.PointNamed(name); ok {
		return p.Dimension() != dewline.EventText
	}
	return dewline.Derived(strings.TrimSuffix(name, "_u")).Unit() != ""
}

func quantities() []string {
	var names []string
	for _, p := range dewline.Points() {
		if p.Dimension() != dewline.EventText {
			names = append(names, p.String())
		}
	}
	for _, d := range dewline.DerivedValues() {
		names = append(names, string(d))
	}
	return names
}

// writeSeries writes the JSON of a series in pieces, so that its size costs no memory. Names and
// units come from the vocabulary and hold nothing that JSON would have to escape.
func writeSeries(w io.Writer, s dewline.Series) error {
	out := bufio.NewWriterSize(w, 32<<10)
	scratch := make([]byte, 0, 64)
	out.WriteString(`{"system":"`)
	out.WriteString(string(s.System))
	out.WriteString(`","step_s":`)
	out.Write(strconv.AppendFloat(scratch, s.Step.Seconds(), 'f', -1, 64))
	out.WriteString(`,"times":[`)
	for i, t := range s.Times {
		if i > 0 {
			out.WriteByte(',')
		}
		out.Write(t.Time().AppendFormat(scratch, `"2006-01-02T15:04:05.999Z"`))
	}
	out.WriteString(`],"points":{`)
	for i, c := range s.Columns {
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteByte('"')
		out.WriteString(c.Quantity)
		out.WriteString(`":{"unit":"`)
		out.WriteString(c.Unit)
		out.WriteString(`","values":`)
		writeNumbers(out, c.Values, scratch)
		if c.Min != nil {
			out.WriteString(`,"min":`)
			writeNumbers(out, c.Min, scratch)
		}
		if c.Max != nil {
			out.WriteString(`,"max":`)
			writeNumbers(out, c.Max, scratch)
		}
		out.WriteByte('}')
	}
	out.WriteString("}}\n")
	return out.Flush()
}

func writeNumbers(out *bufio.Writer, values []float64, scratch []byte) {
	out.WriteByte('[')
	for i, v := range values {
		if i > 0 {
			out.WriteByte(',')
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			out.WriteString("null")
			continue
		}
		out.Write(appendNumber(scratch, v))
	}
	out.WriteByte(']')
}

// appendNumber writes the shortest text that reads back as v, with an exponent only where it would
// be long without: as JSON writers commonly do.
func appendNumber(dst []byte, v float64) []byte {
	if abs := math.Abs(v); abs != 0 && (abs < 1e-6 || abs >= 1e21) {
		return strconv.AppendFloat(dst, v, 'e', -1, 64)
	}
	return strconv.AppendFloat(dst, v, 'f', -1, 64)
}
