package dewline

import "errors"

// Code says what kind of failure an error is, so that a caller can answer it without reading its
// text: a page by a status, a pipeline by waiting or giving up.
type Code string

// The kinds of failure.
const (
	Invalid     Code = "invalid"      // what was asked for or sent makes no sense; the sender has to change it
	NotFound    Code = "not_found"    // nothing goes by that name, or not for the one who asks
	Forbidden   Code = "forbidden"    // who asks may know of it, and may not do this
	Clash       Code = "conflict"     // it makes sense, but not as things stand: look at them again
	OutOfRange  Code = "out_of_range" // it makes sense, but lies outside what can be computed or kept
	Unavailable Code = "unavailable"  // something that is needed does not answer
	Internal    Code = "internal"     // a mistake of ours
)

// Error is a failure with its kind, what was being done, and the cause.
type Error struct {
	Code  Code
	Op    string // what was being done, in a few words: "append readings"
	Retry bool   // the same may succeed later; only who returned the error can know
	Err   error  // the cause
}

// Error returns the operation and the cause.
func (e *Error) Error() string {
	switch {
	case e.Err == nil:
		return e.Op + ": " + string(e.Code)
	case e.Op == "":
		return e.Err.Error()
	}
	return e.Op + ": " + e.Err.Error()
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// CodeOf returns the kind of err: that of the outermost [Error] in it, Invalid for the problems of
// a fleet file, "" for no error and Internal for any other.
func CodeOf(err error) Code {
	if err == nil {
		return ""
	}
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Code
	}
	if _, ok := errors.AsType[FleetErrors](err); ok {
		return Invalid
	}
	return Internal
}

// CanRetry says whether whoever returned err said that the same may succeed later.
func CanRetry(err error) bool {
	e, ok := errors.AsType[*Error](err)
	return ok && e.Retry
}
