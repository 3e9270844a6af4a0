package summary

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"slices"
	"strings"

	"dewline/alert/mail"
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
	Picture                *Picture
	Source                 template.URL // of the picture
}

type tag struct{ Text, Back, Ink string }

// Colours of the tags, told apart by lightness too.
const (
	calmBack, calmInk   = "#e3efe6", "#1e5631"
	tellBack, tellInk   = "#fbe7bf", "#6b4300"
	alarmBack, alarmInk = "#7a1626", "#ffffff"
	greyBack, greyInk   = "#e4e4e8", "#3a3a42"
)

func (r *Report) view(u unit.Scale) view {
	w := newTeller(u)
	r = r.by(w)
	v := view{
		Title: fmt.Sprintf("%s: week %s", words.OneLine(r.RoomName), r.Week), Dates: r.dates(), Verdict: w.say("verdict", r),
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
	add(&v.Tail, "The room", w.lines("room", r))
	add(&v.Tail, "Alarms and how they did", w.lines("quality", r))
	add(&v.Tail, "Drills and calibrations", w.lines("care", r))
	add(&v.Tail, "What could not be told", r.Unknown)
	rack := ""
	for i := range r.Enclosures {
		c := cardOf(&r.Enclosures[i], w)
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
	if inBand := r.inBand(); inBand != nil {
		band = share(*inBand)
	}
	return []tile{
		{band, "of the time inside the band"},
		{fmt.Sprint(r.Alarms.Wakes) + " / " + fmt.Sprint(r.Alarms.Count), "wake alarms / all alarms"},
		{fmt.Sprint(missed), "mist pulses missed"},
		{span(floor), "below the humidity floor, all together"},
	}
}

func cardOf(e *Enclosure, w *teller) card {
	c := card{ID: e.ID, Name: words.OneLine(e.Name), Place: configs.PlaceWords(e.Rack, e.Shelf, e.Slot), About: stageWords(e), Facts: w.facts(e), Tags: e.tags(), Edge: "#b9c7bd"}
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

func (e *Enclosure) tags() []tag {
	var out []tag
	look := func(when bool, s string) {
		if when {
			out = append(out, tag{s, tellBack, tellInk})
		}
	}
	hot := e.had(alarm.LethalLimit) || e.Reached()
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
		look(true, e.Others[0].What())
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

const textWidth = 76

// Text writes the summary as plain text that is complete by itself.
func (r *Report) Text(u unit.Scale) string { return r.view(u).text() }

func (v view) text() string {
	w := &textWriter{}
	w.line(v.Title)
	w.line(v.Dates)
	w.line("")
	w.para("", v.Verdict)
	if v.Tiles == nil { // nobody watched yet
		return w.String()
	}
	w.head("Worth doing this week")
	if v.Nothing != "" {
		w.para("", v.Nothing)
	}
	for i, a := range v.Do {
		w.para(fmt.Sprintf("%d. ", i+1), a.Title)
		w.para("   ", a.Why)
	}
	w.lists(v.Lists)
	w.head("Enclosures")
	for _, c := range v.Cards {
		name := c.Name
		if c.Place != "" {
			name += " (" + c.Place + ")"
		}
		w.line("")
		w.para("", name+": "+c.About)
		for _, f := range c.Facts {
			w.para("  "+f.Name+strings.Repeat(" ", max(14-len(f.Name), 1)), f.Text)
		}
	}
	w.lists(v.Tail)
	w.line("")
	w.para("", v.Caution)
	return w.String()
}

// A textWriter breaks lines.
type textWriter struct{ strings.Builder }

func (w *textWriter) line(s string) {
	w.WriteString(strings.TrimRight(strings.ReplaceAll(s, nbsp, " "), " ") + "\n")
}

func (w *textWriter) head(s string) {
	w.line("")
	w.line(s)
	w.line(strings.Repeat("-", len([]rune(s))))
}

// para writes a paragraph, indented by the width of first.
func (w *textWriter) para(first, s string) {
	indent := strings.Repeat(" ", len([]rune(first)))
	line, n := first, len([]rune(first))
	for i, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) {
		k := len([]rune(word))
		if i > 0 && n+1+k > textWidth {
			w.line(line)
			line, n, i = indent, len(indent), 0
		}
		if i > 0 {
			line, n = line+" ", n+1
		}
		line, n = line+word, n+k
	}
	w.line(line)
}

func (w *textWriter) lists(all []section) {
	for _, s := range all {
		w.head(s.Name)
		for _, l := range s.Lines {
			w.para("- ", l)
		}
	}
}

//go:embed summary.html
var page string

// A Source says where a picture is found: inside the page or inside the mail.
type Source func(Picture) string

// Inside puts the picture into the page itself, for a file that stands alone.
func Inside(p Picture) string {
	return "data:image/png;base64," + base64.StdEncoding.EncodeToString(p.PNG)
}

// ByContentID refers to the inline file of the same mail (RFC 2392).
func ByContentID(p Picture) string { return "cid:" + p.Name }

// HTML writes the summary as one page without scripts or style sheets, as mail
// programs show it: styles stand inline, tables hold figures, and the page
// loads nothing. pics are those of Pictures; src says where they are found.
func (r *Report) HTML(w io.Writer, u unit.Scale, pics []Picture, src Source) error {
	return r.view(u).html(w, pics, src)
}

func (v view) html(w io.Writer, pics []Picture, src Source) error {
	for i := range v.Cards {
		if k := slices.IndexFunc(pics, func(p Picture) bool { return p.Enclosure == v.Cards[i].ID }); k >= 0 {
			v.Cards[i].Picture, v.Cards[i].Source = &pics[k], template.URL(src(pics[k]))
		}
	}
	if err := template.Must(template.New("summary").Parse(page)).Execute(w, v); err != nil {
		return fmt.Errorf("write the summary %s: %w", v.Title, err)
	}
	return nil
}

// A Picture is the week of one enclosure as a PNG.
type Picture struct {
	Name      string // "climate-1.png", unique within a summary
	Enclosure string // id
	Alt       string
	Width     int // in a reader's pixels
	PNG       []byte
}

// pictureSize suits the room: a mail of 48 enclosures has to stay small.
func pictureSize(enclosures int) (width, height, colours int) {
	if enclosures <= 24 {
		return 340, 215, 16
	}
	return 284, 160, 8
}

// Pictures draws one picture for each enclosure that was measured, in the
// reader's units.
func (r *Report) Pictures(u unit.Scale) ([]Picture, error) {
	var out []Picture
	width, height, colours := pictureSize(len(r.Enclosures))
	w := newTeller(u)
	for i, e := range r.Enclosures {
		if e.Covered == 0 {
			continue
		}
		c := e.picture
		c.Scale = u
		p := Picture{
			Name: fmt.Sprintf("climate-%d.png", i+1), Enclosure: e.ID, Alt: e.Name + ": " + w.say("picture", &e), Width: width,
		}
		img, err := c.Image(width, height)
		if err != nil {
			return nil, fmt.Errorf("draw the week of enclosure %s: %w", e.ID, err)
		}
		var b bytes.Buffer
		enc := png.Encoder{CompressionLevel: png.BestCompression}
		if err := enc.Encode(&b, few(img, colours)); err != nil {
			return nil, fmt.Errorf("draw the week of enclosure %s: %w", e.ID, err)
		}
		p.PNG = b.Bytes()
		out = append(out, p)
	}
	return out, nil
}

// inks are what a chart is drawn with, the most needed first: the lines and areas
// on white, and what the edges of its letters need.
var inks = [...]uint32{
	0xFFFFFF, 0x1B1F22, 0x0072B2, 0xC95500, 0xCCE4E0, 0xCBB08E, 0xEFF0F3, 0x888A8C,
	0x83C9B8, 0xE69F00, 0xDB8C52, 0xD9F1EB, 0x4C615E, 0xB1B6BB, 0xC5C9CC, 0xA3D6CA,
}

// few brings a picture down to some inks: mail has to stay small.
func few(img image.Image, colours int) image.Image {
	var palette color.Palette
	for _, ink := range inks[:colours] {
		palette = append(palette, color.NRGBA{uint8(ink >> 16), uint8(ink >> 8), uint8(ink), 0xff})
	}
	out := image.NewPaletted(img.Bounds(), palette)
	draw.Draw(out, out.Rect, img, image.Point{}, draw.Src)
	return out
}

// Mail makes the mail of a report for one address: plain text that is complete
// by itself, and the page with its pictures inside the mail. The same week and
// key give the same Message-ID, so a mail sent again shows once.
func (r *Report) Mail(u unit.Scale, to, key string) (mail.Summary, error) {
	pics, err := r.Pictures(u)
	if err != nil {
		return mail.Summary{}, err
	}
	v := r.view(u)
	var html strings.Builder
	if err := v.html(&html, pics, ByContentID); err != nil {
		return mail.Summary{}, err
	}
	m := mail.Summary{To: []string{to}, Subject: r.Subject(), Text: v.text(), HTML: html.String(), Key: r.Week + "/" + key}
	for _, p := range pics {
		m.Files = append(m.Files, mail.File{Name: p.Name, MediaType: "image/png", Data: p.PNG})
	}
	return m, nil
}
