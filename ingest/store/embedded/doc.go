// Package embedded keeps readings in a folder on the local disk, inside the process, on the time
// series database of github.com/prometheus/prometheus/tsdb. It is the default store: nothing to
// install. A fleet of 20,000 systems that send 10 points every 30 s takes about 0.7 GiB of memory
// (with GOGC=50) and, after compaction, 4 to 5 bytes a reading.
//
// What that database asks of its user, and what is done about it here:
//
//   - One time far in the future would make every present reading "too old". Times ahead of the
//     clock are refused (store.Limits.MaxAhead).
//   - Late readings go to a part of their own, of a size in time that is fixed on opening: MaxAge.
//     They are moved to blocks when their log grows, so that a backlog neither fills the memory
//     nor makes the next start slow.
//   - Its commit writes to the log without fsync. Append syncs the log before it returns, once for
//     all batches that wait at that moment. With Options.NoFsync it does not: then the death of the
//     process still loses nothing, but a power cut can lose what the operating system had not yet
//     written, as a rule the last 30 seconds, although it was acknowledged.
//   - It drops or refuses a second value of one time depending on where the first one lies. The
//     store.Ledger asks before it writes, so neither ever happens.
//   - After a failed write to its log, what is logged later may be cut off at the next start. So
//     a failure closes the database, and reopens it when there is room: what was acknowledged
//     before is read back, what was not is offered again by its sender.
//   - Opening replays the log of the last two to three hours, which takes long for a large fleet:
//     about 13 s for 48 million readings on two cores. Open returns when that is done, and tells
//     how far it is through Options.Replayed.
//   - It panics when it finds the disk full while moving chunks out of memory. Append stops
//     taking readings while Options.MinFree bytes are still free, so that only another program can
//     fill the disk that far. (The death of the process then loses nothing that was acknowledged.)
//
// The package deliberately keeps nothing but readings: a roll-up as a series of the same database
// would be weeks behind its newest time, and could not be replaced.
package embedded
