package influx

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math/bits"
	"strconv"
	"strings"
	"time"

	"github.com/influxdata/influxdb-client-go/v2/api/query"

	"dewline"
	"dewline/ingest/store"
)

// engine is a Store seen by its Ledger.
type engine struct{ *Store }

var errClosed = errors.New("the store was closed")

// measurements names what is measured, by the kind of quantity. A field then has one type.
var measurements = [dewline.EventText + 1]string{
	dewline.Pressure:    "pressure",
	dewline.Temperature: "temperature",
	dewline.Humidity:    "humidity",
	dewline.Current:     "current",
	dewline.Power:       "power",
	dewline.Percent:     "percent",
	dewline.Count:       "count",
	dewline.Boolean:     "state",
	dewline.ModeValue:   "mode",
}

// Write is one request.
func (e engine) Write(ctx context.Context, writes []store.Write) error {
	if e.closed.Load() {
		return e.unavailable(ctx, errClosed)
	}
	if err := e.write.WriteRecord(ctx, lines(writes)); err != nil {
		return e.unavailable(ctx, err)
	}
	return nil
}

// Flush has nothing to do: the server has acknowledged each Write.
func (engine) Flush(context.Context) error { return nil }

// lines writes samples in line protocol. Those of one pack (they follow each other and are of one
// system and time) and of one measurement share a line. Nothing needs to be escaped: ids and names
// of points hold no sign that means anything there.
func lines(writes []store.Write) string {
	text := make([]byte, 0, 64*len(writes))
	for len(writes) > 0 {
		n := 1
		for n < len(writes) && writes[n].At == writes[0].At && writes[n].System == writes[0].System {
			n++
		}
		text = appendPack(text, writes[:n])
		writes = writes[n:]
	}
	return string(text)
}

func appendPack(text []byte, pack []store.Write) []byte {
	var kinds uint // bits of the dimensions in the pack
	for i := range pack {
		kinds |= 1 << pack[i].Point.Dimension()
	}
	site, system, at := pack[0].System.Site(), pack[0].System.System(), int64(pack[0].At)
	for ; kinds != 0; kinds &= kinds - 1 {
		kind := dewline.Dimension(bits.TrailingZeros(kinds))
		text = append(append(text, measurements[kind]...), ",site="...)
		text = append(append(text, site...), ",system="...)
		text = append(text, system...)
		separator := byte(' ')
		for i := range pack {
			if p := pack[i].Point; p.Dimension() == kind {
				text = append(append(text, separator), p.String()...)
				text = appendValue(append(text, '='), p, pack[i].Value)
				separator = ','
			}
		}
		text = append(strconv.AppendInt(append(text, ' '), at, 10), '\n')
	}
	return text
}

func appendValue(text []byte, p dewline.Point, v float64) []byte {
	switch p.Dimension() {
	case dewline.Boolean, dewline.ModeValue:
		return append(strconv.AppendInt(text, int64(v), 10), 'i')
	default:
		return strconv.AppendFloat(text, v, 'g', -1, 64)
	}
}

// row is one row of an answer.
type row struct{ *query.FluxRecord }

func (r row) value() (float64, error) {
	switch v := r.Value().(type) {
	case float64:
		return v, nil
	case int64:
		return float64(v), nil
	default:
		return 0, fmt.Errorf("field %s of measurement %s holds a value of type %T, which no reading has: another writer uses this bucket, give Dewline one of its own: %w",
			r.Field(), r.Measurement(), v, store.ErrUnavailable)
	}
}

// query runs Flux and yields its rows.
func (s *Store) query(ctx context.Context, flux string, yield func(row)) error {
	if s.closed.Load() {
		return s.unavailable(ctx, errClosed)
	}
	result, err := s.client.QueryAPI(s.options.Org).Query(ctx, flux)
	if err != nil {
		return s.unavailable(ctx, err)
	}
	for result.Next() {
		yield(row{result.Record()})
	}
	if err := errors.Join(result.Err(), result.Close()); err != nil {
		return s.unavailable(ctx, err)
	}
	return ctx.Err()
}

// The times that the server can keep, to the year.
var (
	earliest = dewline.MillisOf(time.Date(1678, 1, 1, 0, 0, 0, 0, time.UTC))
	latest   = dewline.MillisOf(time.Date(2262, 1, 1, 0, 0, 0, 0, time.UTC))
)

// from begins a query of the bucket in [from, to).
func (s *Store) from(from, to dewline.Millis) string {
	return fmt.Sprintf(`from(bucket: %s) |> range(start: %s, stop: %s)`, quote(s.options.Bucket), instant(from), instant(to))
}

func filter(condition string) string { return ` |> filter(fn: (r) => ` + condition + `)` }

func instant(m dewline.Millis) string {
	return min(max(m, earliest), latest).Time().Format("2006-01-02T15:04:05.000Z")
}

// quote writes a string in Flux, where ${ } would be an expression.
func quote(text string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, `${`, `\${`, "\n", `\n`, "\r", `\r`, "\t", `\t`).Replace(text) + `"`
}

// of is the condition for readings of one system.
func of(id dewline.SystemID) string {
	return fmt.Sprintf(`r.site == %s and r.system == %s`, quote(id.Site()), quote(id.System()))
}

// Read asks for one series.
func (e engine) Read(ctx context.Context, id dewline.SystemID, p dewline.Point, from, to dewline.Millis, dst []dewline.Value) ([]dewline.Value, error) {
	if max(from, earliest) >= min(to, latest) {
		return dst, nil
	}
	flux := e.from(from, to) +
		filter(fmt.Sprintf(`r._measurement == %s and r._field == %s and `, quote(measurements[p.Dimension()]), quote(p.String()))+of(id)) +
		` |> keep(columns: ["_time", "_value"])`
	var wrong error
	err := e.query(ctx, flux, func(r row) {
		v, err := r.value()
		wrong = cmp.Or(wrong, err)
		if at := dewline.MillisOf(r.Time()); at < to { // a 1.8 server takes the stop for a part of the range
			dst = append(dst, dewline.Value{At: at, Value: v})
		}
	})
	if err = cmp.Or(err, wrong); err != nil {
		return dst, fmt.Errorf("%s %v: %w", id, p, err)
	}
	return dst, nil
}

// Newest asks for the last row of each series of all the systems at once.
func (e engine) Newest(ctx context.Context, ids []dewline.SystemID, yield func(dewline.Sample)) error {
	systems := make([]string, len(ids))
	for i, id := range ids {
		systems[i] = "(" + of(id) + ")"
	}
	flux := e.from(earliest, latest) + filter(strings.Join(systems, " or ")) + ` |> last() |> keep(columns: ["_time", "_value", "_measurement", "_field", "site", "system"])`
	var wrong error
	err := e.query(ctx, flux, func(r row) {
		p, ok := dewline.PointNamed(r.Field())
		if !ok || r.Measurement() != measurements[p.Dimension()] {
			return // somebody else's data in the same bucket
		}
		v, err := r.value()
		wrong = cmp.Or(wrong, err)
		site, _ := r.ValueByKey("site").(string)
		system, _ := r.ValueByKey("system").(string)
		yield(dewline.Sample{System: dewline.NewSystemID(site, system), Point: p, At: dewline.MillisOf(r.Time()), Value: v})
	})
	return cmp.Or(err, wrong)
}
