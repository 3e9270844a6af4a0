package alert

import (
	"encoding/json"
	"maps"
	"os"
	"slices"
	"testing"
	"time"

	"dewline/rules/alarm"
)

// The notices that revision 55685e9 kept, which knew nothing of who was handed
// what or of whose turn it is: lethal heat of e1 that una answered, that of e2 which
// rings since three minutes, and a warm e3. They go on as they were.
func TestRestore_DocumentsOfBefore(t *testing.T) {
	text, err := os.ReadFile("testdata/notices-before.json")
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, twoPeople())
	if err := json.Unmarshal(text, &r.docs); err != nil {
		t.Fatal(err)
	}
	r.now = r.now.Add(4 * time.Minute)
	r.restart()
	if len(r.sent) != 0 {
		t.Errorf("told anew: %v", r.sent)
	}
	told := func(id string) (to []string) {
		for _, d := range r.got {
			if d.NoticeID == id && d.Kind != FollowUp {
				to = append(to, d.Person)
			}
		}
		slices.Sort(to)
		return slices.Compact(to)
	}
	r.pass(3 * time.Minute)
	if got := told("lethal-ceiling/e2/1"); !slices.Equal(got, []string{"una"}) {
		t.Errorf("the repeat went to %q, want una", got)
	}
	r.pass(5 * time.Minute)
	if got := told("lethal-ceiling/e2/1"); !slices.Equal(got, []string{"odo", "una"}) {
		t.Errorf("after ten minutes %q were told, want both", got)
	}
	if _, _, err := r.desk.Acknowledge(r.now, "lethal-ceiling/e2/1", 1, "odo"); err != nil {
		t.Errorf("its answer: %v", err)
	}
	r.got = nil
	r.pass(time.Hour)
	for _, id := range []string{"lethal-ceiling/e1/1", "lethal-ceiling/e2/1", "above-band/e3/1"} {
		if got := told(id); len(got) != 0 {
			t.Errorf("%s is answered or told, and sent again to %q", id, got)
		}
	}
	for _, c := range []change{
		{alarm.LethalLimit, "e1", norm, alarm.Wake, tank("e1"), 24, 0}, {alarm.LethalLimit, "e2", norm, alarm.Wake, tank("e2"), 24, 0},
		{alarm.AboveBand, "e3", norm, alarm.Today, tank("e3"), 24, 0},
	} {
		r.transitions(r.tr(c))
	}
	r.pass(time.Hour)
	over := map[string]bool{}
	for _, d := range r.got {
		over[d.NoticeID] = over[d.NoticeID] || d.Kind == FollowUp
	}
	if len(over) != 3 || slices.Contains(slices.Collect(maps.Values(over)), false) || len(r.docs) != 0 {
		t.Errorf("over: %v, %d documents left", over, len(r.docs))
	}
}
