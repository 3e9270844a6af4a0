package core

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"dewline/rules/event"
	"dewline/sensors"
)

// Who floods dewline with refusals does not wear out the card, and nothing is
// left out unsaid.
func TestRefusalsAreThinned(t *testing.T) {
	var r refusals
	now := sensors.Instant{Mono: time.Hour}
	lines, said := 0, 0
	count := func(es []event.Event) {
		for _, e := range es {
			lines++
			said++
			said += e.Body.(event.Refused).More
		}
	}
	const flood = 36_000
	for range flood { // ten a second for an hour
		now = now.Add(100 * time.Millisecond)
		count(r.pass(now, refusedEvent(now, "una", "x", "x")))
	}
	now = now.Add(10 * time.Minute)
	count(r.flush(now))
	if lines > 400 || lines < 300 {
		t.Errorf("%d lines for %d refusals in an hour, want about 380", lines, flood)
	}
	if said != flood {
		t.Errorf("the lines speak of %d refusals, there were %d", said, flood)
	}
	if again := r.flush(now); again != nil {
		t.Errorf("said twice: %v", again)
	}
}

// What a stranger sent is cut in bytes, whatever its letters are, and between
// letters.
func TestShort(t *testing.T) {
	for _, s := range []string{strings.Repeat("x", 300), strings.Repeat("🐸", 60), "a" + strings.Repeat("ü", 150)} {
		got := Short(s)
		if len(got) > maxRefused || len(got) < maxRefused-4 || !utf8.ValidString(got) || !strings.HasSuffix(got, "…") {
			t.Errorf("%d bytes of %q", len(got), got)
		}
	}
	if s := strings.Repeat("x", maxRefused); Short(s) != s {
		t.Error("what fits is cut")
	}
}
