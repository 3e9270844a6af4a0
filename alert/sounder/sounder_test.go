package sounder

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// A line is a simulated one: it notes when it changes.
type line struct {
	mu      sync.Mutex // guards fails
	began   time.Time
	active  bool
	changes []time.Duration
	fails   error
	closed  int
}

func (l *line) Set(active bool) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.fails != nil {
		return l.fails
	}
	if active != l.active {
		l.active = active
		l.changes = append(l.changes, time.Since(l.began))
	}
	return nil
}

func (l *line) fail(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.fails = err
}

func (l *line) Close() error { l.closed++; return nil }

// The line pulses while it is told to, and is off after that and after the end.
func TestSounder_Pulses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		l := &line{began: time.Now()}
		s := New(func(down error) {
			if down != nil {
				t.Errorf("told %v", down)
			}
		})
		s.Use(func() (Output, error) { return l, nil })
		go s.Run(ctx)
		pass := func(d time.Duration) { time.Sleep(d); synctest.Wait() }
		pass(10 * time.Second)
		if len(l.changes) != 0 {
			t.Fatalf("it sounds untold, at %v", l.changes)
		}
		s.Sound(true)
		pass(2400 * time.Millisecond)
		s.Sound(true) // once more changes nothing
		pass(100 * time.Millisecond)
		const ms = time.Millisecond
		if want := []time.Duration{10000 * ms, 10500 * ms, 11000 * ms, 11500 * ms, 12000 * ms, 12500 * ms}; !slices.Equal(l.changes, want) {
			t.Errorf("it changes at %v, want %v", l.changes, want)
		}
		pass(200 * ms)
		s.Sound(false)
		pass(0)
		quiet := len(l.changes)
		if pass(time.Hour); l.active || len(l.changes) != quiet {
			t.Errorf("it goes on when it is told not to: active %v", l.active)
		}
		s.Try()
		if pass(time.Minute); l.active || len(l.changes) != quiet+6 {
			t.Errorf("a trial makes %d changes, want 6, and leaves it active %v", len(l.changes)-quiet, l.active)
		}
		s.Sound(true)
		if pass(100 * ms); !l.active {
			t.Error("it does not sound again")
		}
		cancel()
		if synctest.Wait(); l.active || l.closed != 1 {
			t.Errorf("after the end: active %v, closed %d times", l.active, l.closed)
		}
	})
}

// A device that is missing is told once and looked for each minute; it sounds once
// it is there. One that goes is told too. Another may take its place.
func TestSounder_Refused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &line{began: time.Now()}
		var told []string
		s := New(func(down error) {
			if down == nil {
				told = append(told, "works")
				return
			}
			told = append(told, down.Error())
		})
		var there atomic.Bool
		s.Use(func() (Output, error) {
			if !there.Load() {
				return nil, errors.New("no such device")
			}
			return l, nil
		})
		go s.Run(t.Context())
		pass := func(d time.Duration) { time.Sleep(d); synctest.Wait() }
		s.Sound(true)
		pass(5 * time.Minute)
		there.Store(true)
		if pass(61 * time.Second); len(l.changes) == 0 {
			t.Error("it does not sound once the device is there")
		}
		s.Sound(false)
		pass(time.Second)
		l.fail(errors.New("the chip went"))
		if pass(2 * time.Minute); l.closed == 0 {
			t.Error("a line that fails is not let go of")
		}
		if want := []string{"no such device", "works", "the chip went"}; !slices.Equal(told, want) {
			t.Errorf("told %q, want %q", told, want)
		}
		other := &line{began: time.Now()}
		s.Use(func() (Output, error) { return other, nil })
		s.Sound(true)
		if pass(time.Second); !other.active && len(other.changes) == 0 {
			t.Error("another output does not sound")
		}
		s.Use(nil)
		if pass(time.Second); other.active || other.closed != 1 {
			t.Errorf("an output that is no longer used: active %v, closed %d times", other.active, other.closed)
		}
	})
}

// The files of an LED are those of Documentation/leds/leds-class.rst: writing 0 to
// brightness turns it off, max_brightness is the most, "none" takes it from its
// trigger.
func TestOpenLED(t *testing.T) {
	dir := t.TempDir()
	if _, err := OpenLED(filepath.Join(dir, "nobody")); err == nil {
		t.Error("an LED that does not exist is opened")
	}
	for name, text := range map[string]string{"brightness": "255\n", "max_brightness": "255\n", "trigger": "[heartbeat] none\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	l, err := OpenLED(dir)
	if err != nil {
		t.Fatal(err)
	}
	if read("trigger") != "none" || read("brightness") != "0" {
		t.Errorf("opened: trigger %q, brightness %q", read("trigger"), read("brightness"))
	}
	if err := l.Set(true); err != nil || read("brightness") != "255" {
		t.Errorf("on: %q, %v", read("brightness"), err)
	}
	if err := os.Remove(filepath.Join(dir, "brightness")); err != nil {
		t.Fatal(err)
	}
	if err := l.Set(false); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without its file: %v", err)
	}
	if _, err := os.Stat(filepath.Join(dir, "brightness")); err == nil {
		t.Error("a file is made that the kernel does not have")
	}
}
