package dewline

import "context"

// Progress is what the engine made of a stretch of readings. It is stored as one: after a crash
// either all of it is there or nothing, so that an engine that begins again from its states makes
// neither an alert twice nor forgets one.
type Progress struct {
	Version   int                 // of the format of States; a program that knows another starts afresh
	States    map[SystemID][]byte // of the systems that moved on; nil removes one
	Watermark Millis              // as LoadProgress is to return it
	RollUps   []RollUp
	Alerts    []AlertChange
}

// ProgressStore keeps the progress of the engine.
type ProgressStore interface {
	// SaveProgress stores p in one transaction. States that it does not mention stay. Its alerts are
	// what readings say: each joins what people have done with it meanwhile, see Alert.WithEvidence.
	SaveProgress(ctx context.Context, p Progress) error
	// LoadProgress calls state for each stored state of this version, in the order of systems, and
	// returns the watermark of the last SaveProgress. Where nothing of this version is stored it
	// returns 0 and calls nothing. The bytes are state's to keep. An error of state ends it.
	LoadProgress(ctx context.Context, version int, state func(SystemID, []byte) error) (Millis, error)
}
