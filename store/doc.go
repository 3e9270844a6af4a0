// Package store keeps dewline's record in one bbolt file: every reading, the
// rollups made from them, the documents of open alarms, unsent notices,
// calibrations and notes, the engine's state, and a journal that is chained by
// hash.
//
// Readings are appended to memory and written once a batch (Write, normally
// every three minutes); everything a keeper would miss is written at once (Commit).
// Append never waits for the disk. A damaged file is set aside under a dated
// name, and a fresh one begun: opening the store never stops an alarm.
//
// A reader goes down: store.go has what others call; upkeep (checklater, backup, repair,
// compact, recompute, regain) and open.go bring the file in order, flush.go writes a
// batch and seals it into hours and days, readings.go and rollups.go answer; update.go
// writes to the file, file.go is the file, layout.go its names.
//
// What does not live here: the series codec (store/block), any rule, and what
// the documents mean: they are opaque bytes.
package store
