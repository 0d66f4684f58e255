package dashboards

import (
	"errors"
	"net/http"
	"time"

	"dewline"
	"dewline/dashboards/view"
)

// checkPage is what somebody looks at who has just fitted sensors.
type checkPage struct {
	base
	ID      dewline.SystemID
	Name    string
	Check   view.SensorCheck
	Say     string
	Message string
	Caution string
	Href    string
}

func (s *server) sensorCheck(w http.ResponseWriter, r *http.Request) {
	_, site, sys, ok := s.systemFor(w, r)
	if !ok {
		return
	}
	reader := s.reader(r, site)
	state, _ := s.overview.State(sys.ID)
	p := checkPage{base: s.base(r, reader.Say("Check the sensors of {1}", sys.Name)), ID: sys.ID, Name: sys.Name, Caution: reader.Say(dewline.Caution), Href: checkHref(sys.ID)}
	p.Say = view.NeverHeard.Said(reader)
	if last := max(state.At, state.Received); last != 0 {
		p.Say = reader.Say("The newest reading came {1}.", reader.Age(last).Text)
	}
	series, err := s.checkSeries(r, sys)
	if err != nil {
		s.Log.ErrorContext(r.Context(), "cannot read series", "system", sys.ID, "error", err)
		p.Message = reader.Say("Readings cannot be read at the moment.")
	}
	p.Check = view.NewSensorCheck(sys, series, state, reader)
	s.pages.write(w, r, http.StatusOK, "setupcheck", p)
}

// checkSeries reads the last hours as they are stored, or as fine as an answer can be.
func (s *server) checkSeries(r *http.Request, sys *dewline.System) (dewline.Series, error) {
	if s.Series == nil {
		return dewline.Series{}, nil
	}
	now := s.Now()
	q := dewline.SeriesQuery{System: sys.ID, Quantities: view.CheckQuantities(sys),
		From: dewline.MillisOf(now.Add(-view.CheckSpan)), To: dewline.MillisOf(now.Add(time.Second))}
	series, err := s.Series.ReadSeries(r.Context(), q)
	if step, ok := errors.AsType[*dewline.StepError](err); ok {
		q.Step = step.Smallest
		series, err = s.Series.ReadSeries(r.Context(), q)
	}
	return series, err
}
