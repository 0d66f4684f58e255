package embedded

import "dewline"

// Stats tells what the store holds.
type Stats struct {
	Series   uint64 // with readings in memory
	Blocks   int
	Readings uint64 // in blocks; those of the last hours are in memory and in the logs
	Bytes    int64  // of the blocks
	// Oldest and Newest are the ends of the times that are stored; Oldest is after Newest when
	// there is nothing.
	Oldest, Newest dewline.Millis
}

// BytesPerReading is what a reading takes on the disk once it is in a block, 0 before there is one.
func (s Stats) BytesPerReading() float64 {
	if s.Readings == 0 {
		return 0
	}
	return float64(s.Bytes) / float64(s.Readings)
}

// Stats tells what the store holds.
func (s *Store) Stats() (Stats, error) {
	db, _, done, err := s.use()
	if err != nil {
		return Stats{}, err
	}
	defer done()
	oldest, newest := db.span()
	st := Stats{Series: db.Head().NumSeries(), Oldest: dewline.Millis(oldest), Newest: dewline.Millis(newest)}
	for _, b := range db.Blocks() {
		st.Blocks++
		st.Readings += b.Meta().Stats.NumSamples
		st.Bytes += b.Size()
	}
	return st, nil
}
