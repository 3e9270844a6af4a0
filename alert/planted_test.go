package alert

import (
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/store"
)

// each visits what the Desk holds, in order.
func each(r *rig, f func(in *incident)) {
	for _, in := range r.desk.book.list() {
		f(in)
	}
}

func without(e *Effects, drop func(d Delivery) bool) {
	e.Send = slices.DeleteFunc(slices.Clone(e.Send), drop)
}

func did(e *Effects, what string) bool {
	return slices.ContainsFunc(e.Events, func(ev Event) bool { return ev.What == what })
}

// planted are faults of the kinds that were found, or could come, each of which
// the reference model must find.
var planted = map[string]func(r *rig, e *Effects){
	"an answer covers all that is open": func(r *rig, e *Effects) {
		if did(e, "acknowledged") {
			each(r, func(in *incident) {
				for i := range in.Notice.Members {
					in.Notice.Members[i].Covered = true
				}
			})
		}
	},
	"version 1 is said to have named all": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			for i := range in.Notice.Members {
				if m := &in.Notice.Members[i]; len(m.Named) > 0 {
					m.Named = []Naming{{in.Notice.ID, 1}}
				}
			}
		})
	},
	"an answer is forgotten": func(r *rig, e *Effects) {
		if did(e, "acknowledged") {
			each(r, func(in *incident) {
				for i := range in.Notice.Members {
					in.Notice.Members[i].Covered = false
				}
			})
		}
	},
	"nothing is repeated": func(r *rig, _ *Effects) {
		each(r, func(in *incident) { in.NextRepeat = r.now.Mono + 1000*time.Hour })
	},
	"the second person is never asked": func(_ *rig, e *Effects) {
		without(e, func(d Delivery) bool { return d.Person == "odo" && d.Kind != Silence })
	},
	"news wait for the repeat": func(r *rig, e *Effects) {
		without(e, func(d Delivery) bool { return d.Kind == Update && !d.Again })
	},
	"a failed sending is given up": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			for _, p := range in.Out {
				if p.State == due && p.Fails > 0 {
					p.State = lost
				}
			}
		})
	},
	"a refusal holds for an hour": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			for _, p := range in.Out {
				if p.State == due && p.Fails == 1 {
					p.NotBefore = r.now.Mono + time.Hour
				}
			}
		})
	},
	"over is said of what goes on": func(_ *rig, e *Effects) {
		for i := range e.Send {
			if d := &e.Send[i]; d.Kind == Update {
				d.Message.Title = "Over: " + d.Message.Title
			}
		}
	},
	"over counts from the milder alarm": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			for i := range in.Notice.Members {
				if m := &in.Notice.Members[i]; m.Since.Wall.After(in.Notice.Since) {
					m.Since.Wall, m.Since.Mono = in.Notice.Since, in.Opened
				}
			}
		})
	},
	"over ends with the reset": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			for i := range in.Notice.Members {
				if m := &in.Notice.Members[i]; !in.Ended && !m.Ended.IsZero() {
					m.Ended = r.now
				}
			}
		})
	},
	"a silence is forgotten": func(r *rig, _ *Effects) {
		each(r, func(in *incident) {
			if in.Notice.Kind == Silence {
				r.desk.book.forget(in)
			}
		})
	},
	"a silence is told by every channel": func(_ *rig, e *Effects) {
		for _, d := range e.Send {
			if d.Kind == Silence && d.Person == "una" {
				e.Send = append(e.Send, d, d)
			}
		}
	},
	"who was first rings on": func(r *rig, e *Effects) {
		for _, d := range e.Send {
			if d.Again && d.Person == "odo" && r.desk.opt.People[0].ID == "odo" {
				d.Person = "una"
				e.Send = append(e.Send, d)
			}
		}
	},
	"the new turn is not handed over": func(r *rig, e *Effects) {
		if first := r.desk.opt.People[0].ID; first == "odo" && len(r.desk.opt.People) > 1 {
			without(e, func(d Delivery) bool { return d.Person == first && !d.Message.Escalated && d.Kind != Silence })
		}
	},
	"no cap": func(r *rig, _ *Effects) { clear(r.desk.outbox.sends) },
	"a document is not kept": func(_ *rig, e *Effects) {
		e.Docs = slices.DeleteFunc(slices.Clone(e.Docs), func(d store.Doc) bool { return d.Value != nil && strings.Contains(d.Key, "lethal") })
	},
	"the newest onset has no name in the text": func(_ *rig, e *Effects) {
		for i := range e.Send {
			m := &e.Send[i].Message
			if e.Send[i].Kind != FollowUp && e.Send[i].Priority >= alarm.Wake && strings.Contains(m.Text, "e6") {
				m.Text, m.Title = strings.ReplaceAll(m.Text, "e6", "another"), strings.ReplaceAll(m.Title, "e6", "another")
			}
		}
	},
}

func TestLedgerModel_findsPlantedFaults(t *testing.T) {
	for name, plant := range planted {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(150) {
				if _, broken := tell(seed, plant); broken != "" {
					t.Logf("seed %d: %s", seed, broken)
					return
				}
			}
			t.Error("not found in 150 stories")
		})
	}
}
