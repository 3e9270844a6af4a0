package store

import "dewline/store/block"

// A writer brings readings and what goes with them into the file, and at the start
// takes back what is there.
type writer struct {
	*series
	flushing token    // holds one token: a write, or a part of upkeep; guards what follows
	open     openHour // the open hour in the file
	enc      block.Encoder
	settled  uint64 // days with a seq up to this are long enough by themselves
	rewrite  bool   // the next write does the open hour afresh
	attached bool   // the file was open before
}

// trimRefused bounds what waits for a disk that takes nothing.
func (w *writer) trimRefused() {
	w.mu.Lock()
	lost := w.mem.trimSealed()
	w.mu.Unlock()
	w.tellLost(lost)
}
