package alert_test

import (
	"fmt"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// A lethal limit leaves the Desk in the step that brought it, and again
// after five minutes, since nobody has answered.
func ExampleDesk() {
	desk := alert.NewDesk(alert.Options{Room: "attic"})
	now := sensors.Instant{Mono: time.Hour, Wall: time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC), Synced: true}
	show := func(e alert.Effects) {
		for _, d := range e.Send {
			fmt.Println(now.Wall.Format("15:04"), d.Channel, d.Message.Priority, d.Message.Title)
			desk.Result(now, alert.SendResult{Delivery: d.ID, Version: d.Version, Attempt: d.Attempt})
		}
	}
	show(desk.Transitions(now, []rules.Transition{{
		Onset: alarm.Onset{Key: alarm.Key{Alarm: alarm.LethalLimit, Subject: "e7"}, Seq: 1, Priority: alarm.Wake, Cause: alarm.Cause{Kind: alarm.CauseEnclosure, ID: "e7"}, Value: 33.2, HasValue: true, Limit: 33, HasLimit: true, Unit: "°C", Since: now}, At: now, To: alarm.Unack,
	}}))
	for range 40 {
		now = now.Add(10 * time.Second)
		show(desk.Tick(now))
	}
	// Output:
	// 12:00 mqtt wake e7 at its lethal limit, 33.2 °C
	// 12:05 mqtt wake e7 at its lethal limit, 33.2 °C
}
