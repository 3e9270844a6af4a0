package summary

import (
	"fmt"
	"html/template"
	"slices"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// A view is a Report in words, as the page shows it.
type view struct {
	Title, Dates, Verdict, Made string
	Tiles                       []tile
	Do                          []Advice
	Nothing                     string
	Cards                       []card
	Lists                       []section // between advice and enclosures
	Tail                        []section
	Caution                     string
}

type tile struct{ Figure, Name string }

type section struct {
	Name  string
	Lines []string
}

type card struct {
	ID, Name, Place, About string
	Rack                   string // set on the first of a rack
	Tags                   []tag
	Edge                   string // colour
	Facts                  []fact
	Picture                *pictureView
}

type pictureView struct {
	Picture
	Src template.URL
}

// A tag is a word about an enclosure; its colour only repeats it.
type tag struct{ Text, Back, Ink string }

// Colours of the tags, told apart by lightness too.
const (
	calmBack, calmInk   = "#e3efe6", "#1e5631"
	tellBack, tellInk   = "#fbe7bf", "#6b4300"
	alarmBack, alarmInk = "#7a1626", "#ffffff"
	greyBack, greyInk   = "#e4e4e8", "#3a3a42"
)

func (r *Report) view(u unit.Scale) view {
	r = r.In(u)
	v := view{
		Title: fmt.Sprintf("%s: week %s", words.OneLine(r.RoomName), r.Week), Dates: r.dates(), Verdict: r.verdict(),
		Made: r.Made.Format("2006-01-02 15:04 MST"), Tiles: r.tiles(), Caution: caution,
	}
	if r.Early() {
		v.Tiles, v.Nothing = nil, nothingToDo
		return v
	}
	for _, a := range r.Do {
		v.Do = append(v.Do, Advice{words.OneLine(a.Title), words.OneLine(a.Why)})
	}
	if len(v.Do) == 0 {
		v.Nothing = nothingToDo
	}
	add := func(to *[]section, name string, lines []string) {
		if len(lines) == 0 {
			return
		}
		s := section{Name: name}
		for _, l := range lines {
			s.Lines = append(s.Lines, words.OneLine(l))
		}
		*to = append(*to, s)
	}
	add(&v.Lists, "Changes against the week before", r.Changes)
	add(&v.Lists, "Outlook", r.Outlook)
	add(&v.Tail, "The room", r.roomLines())
	add(&v.Tail, "Alarms and how they did", r.qualityLines(u))
	add(&v.Tail, "Drills and calibrations", r.careLines())
	add(&v.Tail, "What could not be told", r.Unknown)
	rack := ""
	for i := range r.Enclosures {
		c := cardOf(&r.Enclosures[i], u)
		if name := r.Enclosures[i].Rack; i == 0 || name != rack {
			c.Rack, rack = name, name
		}
		v.Cards = append(v.Cards, c)
	}
	return v
}

func (r *Report) tiles() []tile {
	floor, missed := 0.0, 0
	for _, e := range r.Enclosures {
		if e.BelowMin != nil {
			floor += *e.BelowMin
		}
		missed += e.Mist.Missed
	}
	band := "?"
	if inBand, ok := r.inBand(); ok {
		band = share(inBand)
	}
	return []tile{
		{band, "of the time inside the band"},
		{fmt.Sprint(r.Alarms.Wakes) + " / " + fmt.Sprint(r.Alarms.Count), "wake alarms / all alarms"},
		{fmt.Sprint(missed), "mist pulses missed"},
		{span(floor), "below the humidity floor, all together"},
	}
}

func cardOf(e *Enclosure, u unit.Scale) card {
	c := card{ID: e.ID, Name: words.OneLine(e.Name), Place: configs.PlaceWords(e.Rack, e.Shelf, e.Slot), About: stageWords(e), Facts: e.facts(u), Tags: e.tags(), Edge: "#b9c7bd"}
	for _, t := range c.Tags {
		switch {
		case t.Back == alarmBack:
			c.Edge = alarmBack
		case t.Back == tellBack && c.Edge != alarmBack:
			c.Edge = "#c98a10"
		}
	}
	return c
}

// tags say at a glance what was the matter.
func (e *Enclosure) tags() []tag {
	var out []tag
	look := func(when bool, s string) {
		if when {
			out = append(out, tag{s, tellBack, tellInk})
		}
	}
	hot := e.had(alarm.LethalLimit) || e.reached()
	if hot {
		out = append(out, tag{"lethal limit reached", alarmBack, alarmInk})
	}
	look(!hot && e.had(alarm.AboveBand), "too warm")
	look(e.had(alarm.BelowBand), "too cool")
	look(e.had(alarm.HumidityFloor) || e.BelowMin != nil && *e.BelowMin >= floorMuch, "too dry")
	look(e.Mist.Missed > 0, "mist missed")
	short, _ := e.shortNights()
	look(short >= dropNights, "little night drop")
	switch {
	case e.Covered == 0:
		out = append(out, tag{"not measured", greyBack, greyInk})
	case e.Missing >= missingMuch:
		out = append(out, tag{span(e.Missing) + " not measured", greyBack, greyInk})
	}
	if len(out) == 0 && len(e.Others) > 0 {
		look(true, e.Others[0].what())
	}
	if len(out) == 0 {
		out = append(out, tag{"calm", calmBack, calmInk})
	}
	return out
}

func (e *Enclosure) had(id alarm.ID) bool {
	return slices.ContainsFunc(slices.Concat(e.Excursions, e.Others), func(x Excursion) bool { return x.Alarm == id })
}

const caution = "dewline watches and warns; it is no safety device. Its limits are defaults, not veterinary advice: " +
	"ask a vet about sick animals. No figure here says that a temperature or a time is safe."

const nothingToDo = "Nothing asks for you."
