package dewline

import "context"

// Reject is a refusal that is kept for inspection, with the time it arrived.
type Reject struct {
	Received Millis `json:"-"`
	Refusal
}

// RejectFilter narrows what ReadRejects returns; its zero value is everything.
type RejectFilter struct {
	Reason Reason   // "" for every reason
	System SystemID // "" for every system
	Site   string   // "" for every site
}

// Rejects keeps the newest refusals of each reason, a bounded number, and counts all of them. Both
// survive a restart.
type Rejects interface {
	// KeepRejects counts all of rejects and keeps the newest. Long texts are shortened.
	KeepRejects(ctx context.Context, rejects []Reject) error
	// ReadRejects returns at most limit of the kept rejects that fit the filter, newest first.
	ReadRejects(ctx context.Context, filter RejectFilter, limit int) ([]Reject, error)
	// CountRejects returns how many there have been of each reason since the store was made.
	CountRejects(ctx context.Context) (map[Reason]int64, error)
}
