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
)

// events is a stream of server-sent events: "changed" whenever the page that a
// browser shows is worth loading again.
func (s *site) events(w http.ResponseWriter, r *http.Request) {
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
	fmt.Fprint(w, "retry: 5000\n\n")
	if c.Flush() != nil {
		return
	}
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	last, told := fingerprint(s.o.Snapshot()), time.Now()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-s.o.Stop:
			return
		case <-ticker.C:
		}
		now := fingerprint(s.o.Snapshot())
		if now == last && time.Since(told) < tellEvery {
			continue
		}
		last, told = now, time.Now()
		if _, err := fmt.Fprint(w, "event: changed\ndata: 1\n\n"); err != nil || c.Flush() != nil {
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
	for i := range snap.Alarms {
		a := &snap.Alarms[i]
		fmt.Fprintf(h, "%s %d %d,", a.ID, a.State, a.Priority)
	}
	for i := range snap.Notices {
		n := &snap.Notices[i]
		fmt.Fprintf(h, "%s %d %t,", n.Notice.ID, n.Notice.Version, n.Acknowledged)
	}
	fmt.Fprint(h, snap.Recording, snap.Stalled, snap.At.Synced)
	return h.Sum64()
}
