package configs

import (
	"fmt"
	"slices"
)

// warnSeasons looks for seasons that do little.
func (k warner) warnSeasons() {
	for i, s := range k.c.Seasons {
		t := k.doc.item("season", i)
		if !slices.ContainsFunc(k.c.Enclosures, s.holds) {
			k.warning(t, "name an enclosure with adults", "season %q is for no enclosure of this room", s.ID)
		}
		if s.days() < rampDays {
			k.warning(t.at("to"), fmt.Sprintf("let it last %d days or more", rampDays), "season %q is over before its limits are reached", s.ID)
		}
	}
}

// warnDuties looks for times of the week for which nobody is named, and for those
// for which two sections name different people.
func (k warner) warnDuties() {
	var covered [minutesPerWeek]bool
	weekly := false
	for i := range k.c.Duties {
		d := &k.c.Duties[i]
		for j := range i {
			if o := &k.c.Duties[j]; o.Person != d.Person && o.dated() == d.dated() && o.meets(d) {
				k.warning(k.doc.item("duty", i), "change one of them, or leave it so: the upper one holds",
					"%q and %q are both on duty at some times", o.Person, d.Person)
			}
		}
		if d.dated() {
			continue
		}
		weekly = true
		for m := range covered {
			covered[m] = covered[m] || d.weekly(weekTime(m))
		}
	}
	if free := slices.Index(covered[:], false); weekly && free >= 0 {
		end := free
		for end < minutesPerWeek && !covered[end] {
			end++
		}
		k.warning(k.doc.item("duty", 0), "add a [[duty]] for it, or leave it so", "nobody is on duty from %s to %s, among others: the order of [[person]] holds then",
			weekWords(free), weekWords(end%minutesPerWeek))
	}
}
