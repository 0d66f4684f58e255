// Package sqlstore keeps everything relational: credentials of gateways and what they last said,
// rejects, events, roll-ups, the progress of the engine, alerts and their history. A [Store]
// implements the root's interfaces for each of them on one SQLite database, which needs no server;
// migrations are SQL files, one folder for each dialect, so that another database can join.
//
//	store, err := sqlstore.Open(ctx, filepath.Join(dir, "dewline.db"), sqlstore.Options{})
//
// # One writer, many readers
//
// SQLite lets one connection write at a time. All writes of a process go through one connection, in
// turn, each in a transaction that begins as a writing one (BEGIN IMMEDIATE): two connections that
// begin by reading and then both want to write would fail rather than wait. Reads have connections
// of their own, which see the state as of their beginning and neither wait for the writer nor hold
// it up (WAL mode). The command line is another process with the same rules; the busy timeout makes
// it wait its turn.
//
// # What a crash costs
//
// The death of the process loses nothing that was committed. A power cut or a crash of the
// operating system may lose the last commits (at most those since the last checkpoint of the log),
// never the integrity of the file, because with PRAGMA synchronous=NORMAL the log is only synced
// when it is moved into the database. [Options.FullSync] syncs at each commit and loses nothing, at
// the price of waiting for the disk each time. Readings are not kept here, so what is lost can be
// computed again from them; a credential that was just rotated would be the old one.
//
// # Roll-ups
//
// A fleet of 20,000 systems with six quantities makes 120,000 roll-ups every 15 minutes, nearly all
// of them at the newest time, and pages read a year of one quantity. No single order of rows is
// good at both: ordered by time a year lies in 35,040 places, ordered by quantity each 15 minutes
// touch 120,000 places. So there are two tables. New rows go to rollup_rows in order of time, which
// is cheap to write. [Store.PackRollUps] moves finished days into rollup_days, one packed value for
// each quantity and day, so that a year is 365 of them. Reading joins both; a row stands above the
// day that it belongs to, so that late data simply write a row again and the next packing merges it.
//
// # What it does not do
//
// It reads no clock: who calls says what time it is, and how often to look, pack and prune. It
// decides nothing about alerts; it stores what it is told and keeps the history. It keeps no
// readings (those are the time-series store's) and no passwords, only digests of them.
package sqlstore
