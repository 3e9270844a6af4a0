package sensors

import "time"

// An Instant is one moment as the board saw it. The board has no clock that
// survives a power cut, so durations come from Mono and only day and night
// come from Wall.
type Instant struct {
	// Mono is dewline's own running time. It never goes back, goes on across
	// restarts (the store remembers where it stopped), counts the time in which
	// the board sleeps but not that in which dewline is off, and is unaffected
	// by clock steps.
	Mono time.Duration `json:"mono"`
	// Wall is the board's idea of the time of day, which may be wrong.
	Wall time.Time `json:"wall"`
	// Synced says whether Wall had been set from outside since boot.
	Synced bool `json:"synced"`
}

// Same reports whether both are one and the same. It is ==, of which every reading
// asks several times, without a call.
func (i *Instant) Same(o *Instant) bool {
	return i.Mono == o.Mono && i.Synced == o.Synced && i.Wall == o.Wall
}

// Sub returns the running time from earlier to i.
func (i Instant) Sub(earlier Instant) time.Duration { return i.Mono - earlier.Mono }

// Add returns i moved by d on both clocks.
func (i Instant) Add(d time.Duration) Instant {
	return Instant{Mono: i.Mono + d, Wall: i.Wall.Add(d), Synced: i.Synced}
}

// IsZero reports whether i was never set.
func (i Instant) IsZero() bool { return i.Mono == 0 && i.Wall.IsZero() }
