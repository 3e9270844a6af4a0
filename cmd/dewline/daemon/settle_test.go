package daemon

import (
	"errors"
	"testing"
)

// A source whose time can outrun channels waits for one that connects: at a thousand
// times real time, a busy machine's connection would count as stalled.
func TestSettling(t *testing.T) {
	down := errors.New("not connected since the start")
	for name, c := range map[string]struct {
		before, after func(*settling)
	}{
		"what is being sent":      {func(s *settling) { s.sent(2); s.tried() }, func(s *settling) { s.tried() }},
		"a channel that connects": {func(s *settling) { s.linked("mqtt", down) }, func(s *settling) { s.linked("mqtt", nil) }},
		"both": {func(s *settling) { s.sent(1); s.linked("mqtt", down); s.tried() },
			func(s *settling) { s.linked("mqtt", nil) }},
		"one of two channels": {func(s *settling) { s.linked("mqtt", down); s.linked("hook", down); s.linked("mqtt", nil) },
			func(s *settling) { s.linked("hook", nil) }},
	} {
		t.Run(name, func(t *testing.T) {
			var s settling
			c.before(&s)
			done := make(chan struct{})
			s.wait(done)
			if closed(done) {
				t.Fatal("it did not wait")
			}
			c.after(&s)
			if !closed(done) {
				t.Error("it waits for ever")
			}
		})
	}
	t.Run("given up", func(t *testing.T) {
		var s settling
		s.sent(1)
		s.linked("mqtt", down)
		first, second := make(chan struct{}), make(chan struct{})
		s.wait(first)
		s.giveUp()
		s.wait(second)
		if closed(second) {
			t.Error("a channel that is still away is forgotten")
		}
		s.linked("mqtt", nil)
		if !closed(second) || closed(first) {
			t.Error("the next wait is not its own")
		}
	})
}

func closed(c chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}
