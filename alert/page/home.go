package page

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"dewline/alert"
	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules/alarm"
)

type homePage struct {
	frame
	Needs []noticeCard
	Known []noticeCard // acknowledged, still open
	Worst []look
	// Over counts what is over and waits for a person, Lethal the gravest of that: a bad
	// night must not look like a calm morning. Away is what a person put away.
	Over, Lethal, Away int
	Closest            *look // to its lethal limit, so that a calm page still shows that somebody looks
	Lists              []list
	Racks              []rack
	Past               map[string]*extremes // of the last day, by enclosure
	Snap               *alert.Snapshot
}

// A list names enclosures or probes that share one thing.
type list struct {
	Title string
	Items []item
}

type item struct{ Link, Name, Text string }

const maxWorst = 6

func (s overviews) home(w http.ResponseWriter, r *http.Request) {
	snap, cfg := s.o.Snapshot(), s.o.Config()
	p := homePage{frame: s.frame(r, snap.RoomName, "room"), Snap: snap}
	p.Live = true
	for i := range snap.Notices {
		if c := p.card(&snap.Notices[i]); snap.Notices[i].Acknowledged {
			p.Known = append(p.Known, c)
		} else {
			p.Needs = append(p.Needs, c)
		}
	}
	for _, v := range p.worstFirst() {
		if v.Status().rank >= statusToday.rank && len(p.Worst) < maxWorst {
			p.Worst = append(p.Worst, v)
		}
		if p.Closest == nil && v.Temperature.Known {
			p.Closest = &v
		}
	}
	for _, a := range snap.Alarms {
		switch {
		case a.State.Over() && a.Key.Alarm == alarm.LethalLimit:
			p.Lethal++
			fallthrough
		case a.State.Over():
			p.Over++
		case a.State == alarm.Shelved, a.State == alarm.OutOfService:
			p.Away++
		}
	}
	p.Past = s.ranges.of(r.Context(), s.o.Record(), cfg, snap.At.Wall)
	p.Lists = lists(p.reader)
	p.Racks = p.racks()
	s.show(w, http.StatusOK, "home", &p)
}

// lists gathers what the morning round looks for beside alarms.
func lists(by reader) []list {
	snap := by.snap
	mist, drop := list{Title: "Missed its mist"}, list{Title: "No night drop"}
	due, quiet := list{Title: "Calibration due"}, list{Title: "Probes to look at"}
	for _, v := range snap.Enclosures {
		link, name := "/enclosure/"+v.ID, cmp.Or(v.Name, v.ID)
		if v.MissedMists > 0 {
			mist.Items = append(mist.Items, item{link, name, times(v.MissedMists, "pulse")})
		}
		if v.NightsNoDrop > 0 {
			drop.Items = append(drop.Items, item{link, name, times(v.NightsNoDrop, "night")})
		}
	}
	for _, p := range snap.Probes {
		link := "/"
		if p.Enclosure != "" {
			link = "/enclosure/" + p.Enclosure + "#probes"
		}
		if by.Overdue(by.Due(&p)) {
			due.Items = append(due.Items, item{link, p.ID, ""})
		}
		switch {
		case !p.Fresh && p.Heard:
			quiet.Items = append(quiet.Items, item{link, p.ID, "silent for " + words.Span(p.HeardAge.D())})
		case p.HumidityDoubt != "":
			quiet.Items = append(quiet.Items, item{link, p.ID, doubtWords(p.HumidityDoubt)})
		case !p.Fresh:
			quiet.Items = append(quiet.Items, item{link, p.ID, "no reading yet"})
		case p.Quality != "good" && p.Quality != "":
			quiet.Items = append(quiet.Items, item{link, p.ID, p.Quality + ": " + words.Reason(p.Reason)})
		}
	}
	return slices.DeleteFunc([]list{mist, drop, quiet, due}, func(l list) bool { return len(l.Items) == 0 })
}

// racks puts every enclosure where it stands: racks by name, shelves from the
// top (they count from below), slots from the left.
func (by reader) racks() []rack {
	order := by.looks()
	slices.SortStableFunc(order, func(a, b look) int {
		return cmp.Or(strings.Compare(a.Rack, b.Rack), cmp.Compare(b.Shelf, a.Shelf), cmp.Compare(a.Slot, b.Slot))
	})
	var out []rack
	for i, v := range order {
		if i == 0 || v.Rack != order[i-1].Rack {
			name := words.Capital(configs.RackWords(v.Rack))
			if v.Rack == "" {
				name = "Elsewhere"
			}
			out = append(out, rack{Name: name})
		}
		k := &out[len(out)-1]
		if len(k.Shelves) == 0 || v.Shelf != order[i-1].Shelf {
			name := ""
			if v.Shelf > 0 {
				name = fmt.Sprintf("shelf %d", v.Shelf)
			}
			k.Shelves = append(k.Shelves, shelf{Name: name})
		}
		f := &k.Shelves[len(k.Shelves)-1]
		f.Tiles = append(f.Tiles, v)
	}
	return out
}

type rack struct {
	Name    string
	Shelves []shelf
}

type shelf struct {
	Name  string
	Tiles []look
}
