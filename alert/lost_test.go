package alert

import (
	"fmt"
	"maps"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/store"
)

// What a crash, or the restore of an older backup, took from the record was sent all the
// same. The versions after it are others: an answer to one that was lost covers no more
// than what it told, and no receiver takes what is new for what it has.
func TestAnswer_ToAVersionThatIsNotOnRecord(t *testing.T) {
	for _, told := range []bool{true, false} {
		t.Run(fmt.Sprint("the first on record: ", told), func(t *testing.T) {
			r := newRig(t, twoPeople())
			r.onset(alarm.LethalAhead, "e1", room)
			if told {
				r.pass(time.Minute)
			}
			kept := maps.Clone(r.docs)
			r.pass(time.Minute)
			r.onset(alarm.LethalLimit, "e2", room)
			r.pass(time.Minute)
			lost := r.got[len(r.got)-1]
			r.docs = kept
			r.restart()
			r.onset(alarm.LethalLimit, "e3", room)
			r.pass(time.Minute)
			r.onset(alarm.LethalLimit, "e2", room) // its record was lost too
			r.pass(time.Minute)
			says := map[string]bool{}
			for _, d := range r.got {
				id, e3 := fmt.Sprint(d.NoticeID, " version ", d.Version), names(&d.Message, "e3")
				if was, sent := says[id]; sent && was != e3 {
					t.Errorf("%s is two messages: one names e3, one does not", id)
				}
				says[id] = e3
			}
			r.ackVersion(lost.NoticeID, lost.Version, "una")
			yes := ""
			if told {
				yes = "e1"
			}
			r.wantCovered(yes, map[bool]string{true: "e2 e3", false: "e1 e2 e3"}[told])
		})
	}
}

// A backup that is put back twice, and a run that is killed before it wrote: the versions of
// either run are not those of the other.
func TestDesk_RunsThatBeganAlike(t *testing.T) {
	r := newRig(t, twoPeople())
	r.onset(alarm.LethalLimit, "e1", room)
	r.pass(time.Minute)
	var docs []store.Doc
	for k, v := range r.docs {
		docs = append(docs, docOf(k, v))
	}
	versions := map[int]bool{}
	for _, leap := range []uint64{4711, 4712} {
		r.desk = NewDesk(r.opt)
		r.desk.Start(leap)
		if _, err := r.desk.Restore(r.now, docs); err != nil {
			t.Fatal(err)
		}
		r.onset(alarm.LethalLimit, fmt.Sprint("e", leap), room)
		r.pass(time.Minute)
		versions[r.got[len(r.got)-1].Version] = true
	}
	if len(versions) != 2 || versions[1] || versions[2] {
		t.Errorf("two runs told of another enclosure in the versions %v", versions)
	}
}
