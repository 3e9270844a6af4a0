package core

import (
	"strings"
	"testing"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
)

// A wake notice goes first to who is on duty when it comes, and while the clock is
// not set to the first of the file.
func TestCore_OnDuty(t *testing.T) {
	night := configs.ClockSpan{From: 22 * 60, To: 7 * 60}
	cfg := &configs.Config{
		Room:   configs.Room{ID: "den", Location: time.UTC, Poll: configs.Duration(10 * time.Second)},
		People: []configs.Person{{ID: "ann", Channels: []string{"push"}}, {ID: "ben", Channels: []string{"push"}}},
		Duties: []configs.Duty{{Person: "ben", Hours: &night}},
	}
	for _, c := range []struct {
		hour   int
		synced bool
		want   string
	}{{12, true, "ann"}, {23, true, "ben"}, {6, true, "ben"}, {7, true, "ann"}, {23, false, "ann"}} {
		core := New(cfg, nil)
		now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 11, 28, c.hour, 0, 0, 0, time.UTC), Synced: c.synced}
		core.Tick(now)
		var sent []alert.Delivery
		fx := core.Set(now, rules.Condition{Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: "mail"}, Active: true, Priority: rules.Wake})
		sent = append(sent, fx.Send...)
		for range 60 {
			now.Mono += time.Second
			now.Wall = now.Wall.Add(time.Second)
			sent = append(sent, core.Tick(now).Send...)
		}
		var to []string
		for _, d := range sent {
			to = append(to, d.Message.To)
		}
		if got := strings.Join(to, " "); !strings.HasPrefix(got+" ", c.want+" ") {
			t.Errorf("%d h, clock set %v: told %q, want %s", c.hour, c.synced, got, c.want)
		}
	}
}
