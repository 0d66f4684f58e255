package dewline

// Reason says in one word why something that arrived was not stored. Ingest counts by it, the
// rejects are kept under it, and the API and `dewline rejects` show it, so the words never change.
type Reason string

// The reasons that the contract names, and after them those that follow from it.
const (
	ReasonNoUnit               Reason = "no_unit"                // a number without u and bu
	ReasonWrongUnit            Reason = "wrong_unit"             // a unit of another quantity than the point's
	ReasonUnknownUnit          Reason = "unknown_unit"           // a code in no registry
	ReasonNoValue              Reason = "no_value"               // no value, or one of a kind the point does not take
	ReasonNotFinite            Reason = "not_finite"             // NaN, infinite, or too large for a double
	ReasonUnknownPoint         Reason = "unknown_point"          // not a point of the contract
	ReasonFuture               Reason = "future"                 // further ahead of its receipt than a clock may be off
	ReasonTooOld               Reason = "too_old"                // older than the store takes
	ReasonConflict             Reason = "conflict"               // another value of that point and time stands already
	ReasonMalformed            Reason = "malformed"              // not the format: one record, or all that follows a break
	ReasonRelativeTimeRepeated Reason = "relative_time_repeated" // a repeated message whose times depend on its receipt

	ReasonTooLarge           Reason = "too_large"           // a pack of more bytes than the contract allows
	ReasonTooManyRecords     Reason = "too_many_records"    // the rest of a pack of more records than the contract allows
	ReasonUnsupportedField   Reason = "unsupported_field"   // a field ending in _ that must be understood, and is not
	ReasonUnsupportedVersion Reason = "unsupported_version" // a bver of a later format
	ReasonRelativeTime       Reason = "relative_time"       // a recording has no receipt that a time could be relative to
	ReasonTimeOutOfRange     Reason = "time_out_of_range"   // beyond the year 9999, which RFC 3339 cannot write
	ReasonNoSystem           Reason = "no_system"           // a recorded name that does not begin with <site>/<system>/
	ReasonUnknownSystem      Reason = "unknown_system"      // a topic of a system that is not enrolled
	ReasonUnknownTopic       Reason = "unknown_topic"       // neither readings nor a status
)

// Reasons returns every reason, so that counters can begin at zero.
func Reasons() []Reason {
	return []Reason{ReasonNoUnit, ReasonWrongUnit, ReasonUnknownUnit, ReasonNoValue, ReasonNotFinite, ReasonUnknownPoint,
		ReasonFuture, ReasonTooOld, ReasonConflict, ReasonMalformed, ReasonRelativeTimeRepeated, ReasonTooLarge,
		ReasonTooManyRecords, ReasonUnsupportedField, ReasonUnsupportedVersion, ReasonRelativeTime, ReasonTimeOutOfRange,
		ReasonNoSystem, ReasonUnknownSystem, ReasonUnknownTopic}
}

// Refusal is one thing that was not stored: a record, or a whole message.
type Refusal struct {
	Reason Reason   `json:"reason"`
	System SystemID `json:"system,omitempty"`
	Record int      `json:"record,omitempty"` // its place in the pack, the first is 1; 0 means the whole message
	Name   string   `json:"name,omitempty"`   // what the record called itself, shortened
	Detail string   `json:"detail,omitempty"` // for people: what was found and what would be right
}
