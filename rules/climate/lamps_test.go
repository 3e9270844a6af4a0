package climate

import (
	"testing"
	"time"
)

// A room probe whose radio loses a few readings takes nothing from what is followed; one
// that is away for longer than the lamps are followed across a gap begins it anew.
func TestLampWatch_RoomProbeLost(t *testing.T) {
	for lost, kept := range map[time.Duration]bool{5 * time.Minute: true, lampGap + 10*time.Minute: false} {
		var w LampWatch
		for at := time.Duration(0); at < 3*time.Hour; at += time.Minute {
			hasRoom := at < 100*time.Minute || at >= 100*time.Minute+lost
			w.Observe(at, 24+at.Hours()/10, 20, hasRoom, at >= time.Hour)
		}
		if got := w.Since.Begun; got != kept {
			t.Errorf("lost for %v: the course since the switch is kept %v, want %v", lost, got, kept)
		}
	}
}
