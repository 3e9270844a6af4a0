// Package alert decides what a person is told, when, and through what: it
// turns alarm transitions into notices, and notices into deliveries.
//
// The Desk is pure. Transitions, ticks, acknowledgements and the results of
// sending go in; deliveries to hand out and documents to keep come out. It
// reads no clock, opens no connection and starts no goroutine, and it is owned
// by the one goroutine that also owns the rules. Durations run on
// sensors.Instant.Mono, so a step of the wall clock moves nothing but the time
// printed in a notice and the quiet hours.
//
// What it promises: one open notice for each cause; one id for each notice,
// the same after a crash; a wake notice stays open, and is sent again at
// widening intervals under that id, until a person acknowledges it or a
// follow-up takes its place, because a broker's or server's receipt is no
// proof that anybody read it; nobody is told twice of one thing otherwise.
//
// Its parts stand one above the other: drills, silences and the schedule; below
// them the outbox, the links to the channels, and the book of notices; at the
// bottom the notice, its members and the ledger of what each onset was told to
// whom. No file calls one above it.
//
// A Courier runs one goroutine for each channel, so that a channel which hangs
// delays no other. The channels themselves are in the sub-packages mqtt, mail
// and webhook. The Sentinel is the dead man's switch for another machine: it
// watches rooms' signs of life and feeds a Desk of its own.
package alert
