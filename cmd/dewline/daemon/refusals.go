package daemon

import (
	"fmt"
	"strings"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// kindRefused is the journal's word for what somebody asked and did not get.
const kindRefused = "refused"

// Somebody who floods dewline with what is refused must not wear out the
// card: so many lines at once, then one in refusedEvery, which counts the
// others.
const (
	refusedAtOnce = 20
	refusedEvery  = 10 * time.Second
	maxRefused    = 200 // bytes of each field
)

// refusals thins the journal lines about what was refused. Its zero value
// passes refusedAtOnce of them.
type refusals struct {
	used int           // lines that count against refusedAtOnce
	at   time.Duration // when used last went down
	more int           // lines left out since the last one
	last store.JournalEntry
}

// pass returns the entries that may be written now. Only refusals are thinned.
func (r *refusals) pass(now sensors.Instant, entries []store.JournalEntry) []store.JournalEntry {
	r.refill(now)
	var out []store.JournalEntry
	for _, e := range entries {
		if e.Kind != kindRefused {
			out = append(out, e)
			continue
		}
		if r.used >= refusedAtOnce {
			r.more++
			r.last = e
			continue
		}
		r.used++
		out = append(out, r.counted(e))
	}
	return out
}

// flush returns the newest line that was left out, with how many there were,
// once there is room for it.
func (r *refusals) flush(now sensors.Instant) []store.JournalEntry {
	if r.more == 0 {
		return nil
	}
	if r.refill(now); r.used >= refusedAtOnce {
		return nil
	}
	r.used++
	r.more--
	return []store.JournalEntry{r.counted(r.last)}
}

// counted adds how many lines were left out before e.
func (r *refusals) counted(e store.JournalEntry) store.JournalEntry {
	if r.more > 0 {
		e.New += fmt.Sprintf(" (and %d others before)", r.more)
		r.more = 0
	}
	return e
}

func (r *refusals) refill(now sensors.Instant) {
	if r.used == 0 {
		r.at = now.Mono
		return
	}
	n := int((now.Mono - r.at) / refusedEvery)
	r.used = max(r.used-n, 0)
	r.at += time.Duration(n) * refusedEvery
}

// short cuts what a stranger sent down to what the journal keeps.
func short(s string) string {
	if len(s) <= maxRefused {
		return s
	}
	const more = "…"
	return strings.ToValidUTF8(s[:maxRefused-len(more)], "") + more
}
