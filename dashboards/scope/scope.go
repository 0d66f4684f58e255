package scope

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"dewline"
)

// Scope knows whose machines are whose.
type Scope struct {
	// Fleet returns the part of what is enrolled that the visitor may know of.
	Fleet func(ctx context.Context) *dewline.Fleet
	// Record keeps what was changed of the set-up, and of whom or what; nil: nothing is kept.
	Record func(ctx context.Context, did dewline.AuditDid, of, detail string)
}

// sees says whether the visitor may know of a site. Who sees everything also sees what is not enrolled
// any more.
func (s Scope) sees(ctx context.Context, site string) bool {
	if dewline.VisitorOf(ctx).SeesAll() {
		return true
	}
	_, ok := s.Fleet(ctx).Site(site)
	return ok
}

// sites narrows the sites that were asked for, all where none were, to those that the visitor may know
// of. Where none is left, whoever asks has to be told of none.
func (s Scope) sites(ctx context.Context, asked []string) (sites []string, none bool) {
	if dewline.VisitorOf(ctx).SeesAll() {
		return asked, false
	}
	for _, site := range s.Fleet(ctx).Sites {
		if len(asked) == 0 || slices.Contains(asked, site.ID) {
			sites = append(sites, site.ID)
		}
	}
	return sites, len(sites) == 0
}

var errHidden = errors.New("there is none of that name")

// hidden is the answer about what the visitor may not know of: the same as about what is not there.
func hidden(op string) error { return &dewline.Error{Code: dewline.NotFound, Op: op, Err: errHidden} }

// seen returns what was read of a site, or that there is no such thing.
func seen[T any](ctx context.Context, s Scope, op string, v T, err error, site func(T) string) (T, error) {
	var zero T
	switch {
	case dewline.VisitorOf(ctx).SeesAll():
		return v, err
	case dewline.CodeOf(err) == dewline.NotFound, err == nil && !s.sees(ctx, site(v)):
		return zero, hidden(op)
	}
	return v, err
}

// at returns an error unless the visitor may know of a site.
func (s Scope) at(ctx context.Context, op, site string) error {
	if s.sees(ctx, site) {
		return nil
	}
	return hidden(op)
}

// by returns the name under which the visitor acts. Another name is refused: it would say that somebody
// else did it. Where nobody signs in yet, whoever acts says who they are.
func by(ctx context.Context, given string) (string, error) {
	name := dewline.VisitorOf(ctx).Name
	if name == "" || given == name {
		return given, nil
	}
	if given != "" {
		return "", &dewline.Error{Code: dewline.Forbidden, Op: "by", Err: fmt.Errorf("what is done is kept under the name of who is signed in, %s: leave it out", name)}
	}
	return name, nil
}

// must returns an error unless the visitor has a right.
func must(ctx context.Context, right dewline.Right, op string) error {
	if dewline.VisitorOf(ctx).May(right) {
		return nil
	}
	return &dewline.Error{Code: dewline.Forbidden, Op: op, Err: fmt.Errorf("it takes the right %q", right)}
}

func (s Scope) record(ctx context.Context, of, detail string) {
	if s.Record != nil {
		s.Record(ctx, dewline.AuditSetUp, of, detail)
	}
}
