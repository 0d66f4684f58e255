// Package influx keeps readings in InfluxDB, by line protocol and Flux.
//
// A reading is a field, named as its point, of a measurement that says what kind of quantity it is
// (pressure, temperature, humidity, current, power, percent, count, state, mode), with the tags
// site and system. Values are floats in the point's unit; states are the integers 0 and 1, modes
// the integers of dewline.Mode. Times are kept to the millisecond. Readings of one time share a
// line.
//
// InfluxDB overwrites: of two values of one field and time the last one stands. The store.Ledger
// asks the server what stands before anything older than the newest known reading is written, so
// the first value stands here too, as far back as readings are taken (MaxAge), and each outcome is
// exact. Two things remain that it cannot know:
//
//   - Another writer. Two processes that write the same systems at the same time do not see each
//     other's newest readings; of two different values the last one stands and no conflict is
//     counted. Equal values (both received the same message) do no harm. Give each system to one
//     process.
//   - A retention of the bucket shorter than MaxAge: the server refuses what it would drop at
//     once, the whole batch is an error, and it comes again. Keep the bucket longer than MaxAge.
//
// What a write costs when the server dies is the server's: it acknowledges a write when it is in
// its log on the disk (wal-fsync-delay 0, its default).
//
// This is tested against a real InfluxDB 1.8 server with flux-enabled = true, through its version
// 2 API; there the bucket is "database/retention-policy", the token "user:password" and the
// organisation is ignored. A 2.x server has the same two calls; it is not part of the tests. The
// package deliberately makes no buckets, deletes nothing and takes no backup: the server has tools
// for that.
package influx
