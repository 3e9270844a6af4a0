package alert

import (
	"fmt"
	"testing"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// What one step costs with many notices open, since the daemon's one core
// goroutine pays it between a reading and the next.
//
//	go test ./alert -run - -bench Desk -benchmem
func BenchmarkDesk(b *testing.B) {
	for _, open := range []int{1, 50, 500} {
		r := newRig(b, twoPeople())
		for i := range open {
			id := fmt.Sprintf("e%03d", i)
			r.transitions(r.tr(change{alarm.LethalLimit, id, unack, alarm.Wake, alarm.Cause{Kind: alarm.CauseShelf, ID: "a/" + id}, 33, 0}))
		}
		b.Run(fmt.Sprintf("tick/open=%d", open), func(b *testing.B) {
			for b.Loop() {
				r.desk.Tick(r.now)
			}
		})
		b.Run(fmt.Sprintf("lethal/open=%d", open), func(b *testing.B) {
			for b.Loop() {
				r.now = r.now.Add(time.Millisecond)
				up := r.tr(change{alarm.LethalLimit, "new", unack, alarm.Wake, tank("new"), 33, 0})
				e := r.desk.Transitions(r.now, []rules.Transition{up})
				if len(e.Send) == 0 {
					b.Fatal("not sent in the same step")
				}
				r.desk.Transitions(r.now, []rules.Transition{r.tr(change{alarm.LethalLimit, "new", norm, alarm.Wake, tank("new"), 30, 0})})
				r.desk.book.forget(r.desk.book.find(alarm.OnsetID(up.Key, up.Seq)))
			}
		})
	}
}

// A tick with nothing new allocates nothing, however many notices are open.
func TestDesk_TickAllocatesNothing(t *testing.T) {
	r := newRig(t, twoPeople())
	for i := range 200 {
		id := fmt.Sprintf("e%03d", i)
		r.transitions(r.tr(change{alarm.LethalLimit, id, unack, alarm.Wake, alarm.Cause{Kind: alarm.CauseShelf, ID: "a/" + id}, 33, 0}))
	}
	if n := testing.AllocsPerRun(20, func() { r.desk.Tick(r.now) }); n > 1 {
		t.Errorf("a tick allocates %v times", n)
	}
}
