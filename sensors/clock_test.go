package sensors

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

func TestClockGoesOnFromWhereTheLastRunStopped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		synced := false
		c := NewClock(90*time.Hour, func() bool { return synced })
		first := c.Now()
		if first.Mono != 90*time.Hour || first.Synced {
			t.Fatalf("first instant %+v, want running time 90h and not synced", first)
		}
		<-time.After(7 * time.Second)
		synced = true
		second := c.Now()
		if got := second.Sub(first); got != 7*time.Second {
			t.Errorf("7 s later the running time has moved by %s", got)
		}
		if got := second.Wall.Sub(first.Wall); got != 7*time.Second || !second.Synced {
			t.Errorf("wall moved by %s, synced %t", got, second.Synced)
		}
	})
}

// clock_gettime(2): CLOCK_MONOTONIC stands still in suspend, as Go's clock does.
func TestClockCountsTheSleepOfTheBoard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := NewClock(time.Hour, nil)
		slept := c.slept
		c.asleep = func() time.Duration { return slept + 6*time.Hour }
		<-time.After(time.Second)
		if got := c.Now().Mono; got != 7*time.Hour+time.Second {
			t.Errorf("running time %s after 6 h asleep", got)
		}
		c.asleep = func() time.Duration { return slept + 6*time.Hour - time.Millisecond }
		if got := c.Now().Mono; got < 7*time.Hour+time.Second {
			t.Errorf("running time went back to %s", got)
		}
	})
}

func TestClockNegativeResumeStartsAtZero(t *testing.T) {
	if got := NewClock(-time.Hour, nil).Now(); got.Mono < 0 || got.Synced {
		t.Errorf("got %+v, want a running time from 0 up, never synced", got)
	}
}

func TestClockNeverGoesBackAcrossGoroutines(t *testing.T) {
	c := NewClock(0, nil)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			last := c.Now().Mono
			for range 2000 {
				now := c.Now().Mono
				if now < last {
					t.Errorf("running time went from %s to %s", last, now)
					return
				}
				last = now
			}
		})
	}
	wg.Wait()
}
