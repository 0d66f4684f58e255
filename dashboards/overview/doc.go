// Package overview reads, for pages and API alike, what is enrolled, which alerts have not ended,
// and the health that follows from alerts and states for every system.
//
// It reads through the interfaces of the root package and keeps the answer for a moment, so that
// many readers cost as much as one. It derives health by package view and decides nothing itself;
// it writes nothing and is told what time it is.
package overview
