package page

import (
	"fmt"
	"hash/fnv"
	"net/http"
	"time"

	"dewline/alert"
)

const (
	lookEvery = 2 * time.Second  // for something that a person should see at once
	tellEvery = 10 * time.Second // that values have moved
	beatEvery = 4 * time.Second  // a sign of life
	// deadAfter is how long after its last snapshot the core counts as hung. A
	// browser that hears nothing for 13 s says so, so that it does within 20 s.
	deadAfter = 4 * time.Second
)

// alive reports whether the core goes on: it makes a snapshot every second, and
// a server that still answers says nothing about it.
func alive(snap *alert.Snapshot) bool { return time.Since(snap.Published) <= deadAfter }

// beat answers with one sign of life, for a browser whose stream is silent. Its
// text is what is wrong with the readings, if anything is.
func (s signals) beat(w http.ResponseWriter, _ *http.Request) {
	snap := s.o.Snapshot()
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if !alive(snap) {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintln(w, s.noReadings(snap))
}

// events is a stream of server-sent events: "changed" whenever the page that a
// browser shows is worth loading again, and "beat" while the core goes on.
func (s signals) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "60")
		http.Error(w, "too many pages are kept up to date", http.StatusServiceUnavailable)
		return
	}
	c := http.NewResponseController(w)
	// The server's limit for reading a request would end the stream.
	_ = c.SetReadDeadline(time.Time{})
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // for a proxy that would gather it
	tell := func(event, data string) bool {
		_, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", event, data)
		return err == nil && c.Flush() == nil
	}
	fmt.Fprint(w, "retry: 5000\n\n")
	if c.Flush() != nil {
		return
	}
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	last, told, beaten := fingerprint(s.o.Snapshot()), time.Now(), time.Time{}
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.o.Stop:
			return
		case <-ticker.C:
		}
		snap := s.o.Snapshot()
		if time.Since(beaten) >= beatEvery && alive(snap) {
			beaten = time.Now()
			if !tell("beat", s.noReadings(snap)) {
				return
			}
		}
		now := fingerprint(snap)
		if now == last && time.Since(told) < tellEvery {
			continue
		}
		last, told = now, time.Now()
		if !tell("changed", "1") {
			return
		}
	}
}

// fingerprint differs where alarms or notices do.
func fingerprint(snap *alert.Snapshot) uint64 {
	h := fnv.New64a()
	if snap == nil {
		return 0
	}
	for _, a := range snap.Alarms {
		fmt.Fprintf(h, "%s %d %d,", a.ID, a.State, a.Priority)
	}
	for _, n := range snap.Notices {
		fmt.Fprintf(h, "%s %d %t,", n.Notice.ID, n.Notice.Version, n.Acknowledged)
	}
	fmt.Fprint(h, snap.Recording, snap.Stalled, snap.At.Synced)
	return h.Sum64()
}
