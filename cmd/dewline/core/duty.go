package core

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// A duty is who is told first. It is kept for a restart while the clock is not set.
type duty struct {
	First string `json:"first,omitempty"` // now; empty for the order of the file
	// Person goes before all [[duty]] sections up to Until, as somebody asked.
	Person string    `json:"person,omitempty"`
	Until  time.Time `json:"until,omitzero"`
	// Over is the running time since which a set clock is past Until, 0 for not. One that
	// was set wrongly for a while takes nobody's turn away.
	Over time.Duration `json:"over,omitempty"`
}

// overFor is how long a turn has to be over before it is forgotten.
const overFor = 24 * time.Hour

const dutyKey = "duty"

// at goes on with what held before while the clock is not set.
func (d duty) at(now sensors.Instant, cfg *configs.Config) duty {
	past := !now.Wall.Before(d.Until)
	switch {
	case d.Person == "":
	case !onList(cfg, d.Person), d.Over != 0 && past && now.Synced && now.Mono-d.Over >= overFor:
		d.Person, d.Until, d.Over = "", time.Time{}, 0
	case !now.Synced:
	case !past:
		d.Over = 0
	case d.Over == 0:
		d.Over = max(now.Mono, 1)
	}
	switch {
	case d.holds():
		d.First = d.Person
	case now.Synced:
		d.First = cfg.DutyAt(now.Wall)
	}
	return d
}

// holds reports whether somebody was put on duty and still is.
func (d duty) holds() bool { return d.Person != "" && d.Over == 0 }

func onList(cfg *configs.Config, person string) bool {
	return slices.ContainsFunc(cfg.People, func(p configs.Person) bool { return p.ID == person })
}

type roster struct {
	duty
	cfg     *configs.Config
	ackLink func(noticeID string, version int) string
}

// options are what the desk works by now.
func (r *roster) options() alert.Options {
	o := alert.OptionsFor(r.cfg).InTurn(r.First)
	o.AckLink = r.ackLink
	return o
}

// turn makes the duty that of now, and returns what is to be kept of that.
func (r *roster) turn(now sensors.Instant) []store.Doc {
	next := r.at(now, r.cfg)
	if next == r.duty {
		return nil
	}
	r.duty = next
	return []store.Doc{next.doc()}
}

// watch lets the one who is on duty now be told first.
func (r *roster) watch(p *parts, now sensors.Instant) Effects {
	first := r.First
	e := Effects{Docs: r.turn(now)}
	if r.First != first {
		e.add(p.desked(p.desk.Reconfigure(now, r.options())))
	}
	return e
}

// set puts a person before all others until a moment, or ends that.
func (r *roster) set(p *parts, now sensors.Instant, a *rules.Action) (Effects, error) {
	person, until := a.Key.Subject, a.Until
	switch {
	case !now.Synced:
		return Effects{}, errors.New("the board's clock is not set: nobody can tell when a turn ends")
	case a.Kind == alert.DutyOver:
		if !r.holds() {
			return Effects{}, errors.New("nobody was put on duty: the turns of the configuration hold")
		}
		person, until = "", time.Time{}
	case !onList(r.cfg, person):
		return Effects{}, fmt.Errorf("duty of %q: %w", person, alert.ErrUnknownPerson)
	default:
		if until.IsZero() {
			until = now.Wall.Add(a.For)
		}
		if !until.After(now.Wall) {
			return Effects{}, errors.New("the turn is over before it begins; name an end that is to come")
		}
	}
	was := r.First
	r.Person, r.Until, r.Over = person, until, 0
	e := r.watch(p, now)
	a.Until = until
	e.Events = append(e.Events, dutyEvent(now, a, was, r.First))
	e.Docs = append(e.Docs, r.doc())
	e.add(p.desked(p.desk.Acted(now, a, nil)))
	return e, nil
}

// resume comes before the notices do, which go to whoever is first.
func (r *roster) resume(outbox []store.Doc) error {
	i := slices.IndexFunc(outbox, func(d store.Doc) bool { return d.Key == dutyKey })
	if i < 0 || r.Person != "" { // what was asked of this run is newer
		return nil
	}
	var d duty
	if err := json.Unmarshal(outbox[i].Value, &d); err != nil {
		return fmt.Errorf("read back who is on duty: %w", err)
	}
	r.duty = d
	return nil
}

func (d duty) doc() store.Doc {
	value, _ := json.Marshal(d) // plain words and a time cannot fail
	return store.Doc{Bucket: store.BucketOutbox, Key: dutyKey, Value: value}
}
