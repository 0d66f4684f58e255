// Package sqlstore keeps everything relational: who may sign in, credentials of gateways and what they last said,
// rejects, events, roll-ups, the progress of the engine, alerts and their history. A [Store]
// implements the root's interfaces for each of them on SQLite, which needs no server, or PostgreSQL
// (13 or later), which several machines reach.
//
//	store, err := sqlstore.Open(ctx, filepath.Join(dir, "dewline.db"), sqlstore.Options{})
//	store, err := sqlstore.Open(ctx, "postgres://dewline@host/dewline", sqlstore.Options{})
//
// # Two dialects
//
// Statements are the same for both, with numbered placeholders ($1) and upserts by ON CONFLICT; what
// only one of them takes is not used. A placeholder has the type of what it first stands beside, and
// a transaction finishes reading one thing before it asks for the next. What has to differ is in
// dialect.go, and the tables are in a folder of migrations for each, under the same names and
// numbers. Text is ordered by bytes in both. One suite (storetest) runs on both, and a test compares
// their tables.
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
// With PostgreSQL it is the same by other means: each transaction that writes first locks the one
// row of store_info, so that numbers and versions that it reads are still the last ones when it
// writes, whichever process wrote before. Reads are repeatable and lock nothing. A commit whose answer
// is lost with its connection may have happened: the error says that the call can be tried again,
// and calls that people make carry a version.
//
// # What a crash costs
//
// The death of the process loses nothing that was committed. A power cut or a crash of the
// operating system may lose the last commits (at most those since the last checkpoint of the log),
// never the integrity of the file, because with PRAGMA synchronous=NORMAL the log is only synced
// when it is moved into the database. [Options.FullSync] syncs at each commit and loses nothing, at
// the price of waiting for the disk each time. Readings are not kept here, so what is lost can be
// computed again from them; a credential that was just rotated would be the old one. PostgreSQL
// loses nothing unless its own settings say otherwise. Backup and Restore are for SQLite.
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
