package chart

import (
	"math"
	"strconv"
	"time"
)

// narrow is the width below which type and margins are those of a phone.
const narrow = 480

func (c Chart) layout(w, h int) picture {
	width, height := float64(w), float64(h)
	f := frame{left: 34, right: width - 10, size: 12, head: 24, lane: 18, foot: 34, from: c.From}
	if width < narrow {
		f.left, f.right, f.size, f.head, f.lane, f.foot = 28, width-8, 11, 22, 16, 30
	}
	if secs := c.To.Sub(c.From).Seconds(); secs > 0 {
		f.perSecond = (f.right - f.left) / secs
	}
	lanes := c.lanes()
	fixed := f.head*float64(len(c.Panels)) + f.lane*float64(lanes) + f.foot + 4
	if height <= 0 {
		height = math.Round(fixed + min(width*0.34+110, 340))
	}
	p := picture{width: width, height: height}
	p.rect(roleBack, 0, 0, width, height)
	c.draw(&p, f, max(height-fixed, 40), lanes)
	return p
}

// draw lays out the panels, the marks and the time axis from top to bottom.
// room is the height for all plots together; the first panel gets the most.
func (c Chart) draw(p *picture, f frame, room float64, lanes int) {
	loc := c.Location
	if loc == nil {
		loc = time.UTC
	}
	ticks := ticksOf(c.From, c.To, loc, f.right-f.left, f.size)
	weights := 0.4 + float64(len(c.Panels))
	y := 0.0
	for i := range c.Panels {
		weight := 1.0
		if i == 0 {
			weight = 1.4
		}
		top := y + f.head
		y = top + room*weight/weights
		panel := c.Panels[i].in(c.Scale)
		c.heading(p, f, &panel, top-8)
		c.plot(p, f, &panel, ticks, top, y)
	}
	if lanes > 0 {
		c.strip(p, f, y, lanes)
		y += f.lane * float64(lanes)
	}
	timeLabels(p, f, ticks, y)
}

// heading names the quantity, and the series where there are several.
func (c Chart) heading(p *picture, f frame, panel *Panel, base float64) {
	text := panel.Name
	if panel.Unit != "" {
		text += " " + panel.Unit
	}
	p.label(roleText, pt{f.left, base}, f.size, left, true, text)
	x := f.left + textWidth(text, f.size*1.1) + 12
	main := 0
	for _, s := range panel.Series {
		if s.Name == "" || len(s.Points) == 0 {
			continue
		}
		r, _, d := panel.lookOf(s, main)
		if !s.Beside {
			main++
		}
		if x+22+textWidth(s.Name, f.size) > f.right {
			return
		}
		p.line(r, d, pt{x, base - 4}, pt{x + 18, base - 4})
		p.label(roleFaint, pt{x + 22, base}, f.size, left, false, s.Name)
		x += 22 + textWidth(s.Name, f.size) + 12
	}
}

func (p *Panel) lookOf(s Series, n int) (line, envelope role, d dash) {
	switch {
	case s.Beside:
		return roleBeside, roleBeside, solid
	case p.Water:
		line, envelope = roleWater, roleWaterBy
	default:
		line, envelope = roleWarm, roleWarmBy
	}
	return line, envelope, dash(min(n, int(dotted)))
}

func (c Chart) plot(p *picture, f frame, panel *Panel, ticks []tick, top, foot float64) {
	for _, s := range c.Dark {
		if x0, x1 := f.x(s.From), f.x(s.To); x1 > x0 {
			p.rect(roleDark, x0, top, x1, foot)
		}
	}
	a := panel.axisOf(foot, top, f.size*2)
	for i := a.first; i <= a.last; i++ {
		y := a.at(float64(i) * a.step)
		p.line(roleGrid, solid, pt{f.left, y}, pt{f.right, y})
		p.label(roleFaint, pt{f.left - 5, y + f.size*0.35}, f.size, right, false, a.text(i))
	}
	for _, t := range ticks {
		p.line(roleGrid, solid, pt{f.x(t.at), top}, pt{f.x(t.at), foot})
	}
	for _, b := range panel.Bands {
		x0, x1, y0, y1 := f.x(b.From), f.x(b.To), a.y(b.High), a.y(b.Low)
		if x1 > x0 && y1 > y0 {
			p.rect(roleBand, x0, y0, x1, y1)
		}
	}
	if panel.Water {
		c.pulseLines(p, f, top, foot)
	}
	panel.drawSeries(p, f, a)
	panel.drawLimits(p, f, a)
	p.line(roleFrame, solid, pt{f.left, foot}, pt{f.right, foot})
}

func (c Chart) pulseLines(p *picture, f frame, top, foot float64) {
	for _, m := range c.Marks {
		if m.Kind == Pulse && c.holds(m) {
			p.line(rolePulseLine, dotted, pt{f.x(m.At), top}, pt{f.x(m.At), foot})
		}
	}
}

// drawSeries draws comparisons first, then envelopes, then lines on top.
func (p *Panel) drawSeries(pic *picture, f frame, a valueAxis) {
	for _, s := range p.Series {
		if s.Beside {
			pic.curve(roleBeside, solid, s, f, a)
		}
	}
	n := 0
	for _, s := range p.Series {
		if s.Beside {
			continue
		}
		line, envelope, d := p.lookOf(s, n)
		n++
		pic.envelope(envelope, s, f, a)
		pic.curve(line, d, s, f, a)
	}
}

// stretches cuts a series at its gaps, and where a point is no number.
func (s Series) stretches() [][]Point {
	var out [][]Point
	start := 0
	cut := func(end, next int) {
		if start < end {
			out = append(out, s.Points[start:end])
		}
		start = next
	}
	for i, q := range s.Points {
		switch {
		case !finite(q.Min) || !finite(q.Mean) || !finite(q.Max):
			cut(i, i+1)
		case q.Gap:
			cut(i, i)
		}
	}
	cut(len(s.Points), len(s.Points))
	return out
}

// curve draws the means. A lone point becomes a short stroke, so that it is
// seen.
func (p *picture) curve(r role, d dash, s Series, f frame, a valueAxis) {
	sh := shape{role: r, dash: d}
	for _, part := range s.stretches() {
		path := make([]pt, 0, len(part))
		for _, q := range part {
			path = append(path, pt{f.x(q.At), a.y(q.Mean)})
		}
		if len(path) == 1 {
			path = []pt{{path[0].x - 1.2, path[0].y}, {path[0].x + 1.2, path[0].y}}
		}
		sh.paths = append(sh.paths, path)
	}
	if len(sh.paths) > 0 {
		p.add(sh)
	}
}

func (p *picture) envelope(r role, s Series, f frame, a valueAxis) {
	sh := shape{role: r, closed: true}
	for _, part := range s.stretches() {
		path, wide := make([]pt, 0, 2*len(part)), false
		for _, q := range part {
			path = append(path, pt{f.x(q.At), a.y(q.Max)})
			wide = wide || a.y(q.Min)-a.y(q.Max) > 0.5
		}
		for i := len(part) - 1; i >= 0; i-- {
			path = append(path, pt{f.x(part[i].At), a.y(part[i].Min)})
		}
		if wide && len(part) > 1 {
			sh.paths = append(sh.paths, path)
		}
	}
	if len(sh.paths) > 0 {
		p.add(sh)
	}
}

func (p *Panel) drawLimits(pic *picture, f frame, a valueAxis) {
	r := roleLethal
	if p.Water {
		r = roleFloor
	}
	for _, l := range p.Limits {
		y := a.y(l.Value)
		pic.line(r, dashed, pt{f.left, y}, pt{f.right, y})
		base := y - 4
		if base-f.size < a.head { // no room above
			base = y + f.size + 1
		}
		// On the left, as what matters most stands on the right.
		pic.label(roleHalo, pt{f.left + 4, base}, f.size, left, false, l.Name+" "+num(a.shown(l.Value)))
	}
}

// timeLabels writes the two lines under the plots. Labels that would touch
// the one before or the edge are left out.
func timeLabels(p *picture, f frame, ticks []tick, y float64) {
	free, freeUnder := 0.0, 0.0
	for i, t := range ticks {
		x := f.x(t.at)
		half := textWidth(t.label, f.size) / 2
		if x-half >= free && x+half <= p.width {
			p.label(roleFaint, pt{x, y + f.size + 3}, f.size, middle, false, t.label)
			free = x + half + 4
		}
		if t.under == "" || i == 0 && !f.leavesRoom(ticks) {
			continue
		}
		width := textWidth(t.under, f.size)
		if start := max(x-width/2, 2); start >= freeUnder && start+width <= p.width {
			p.label(roleText, pt{start, y + 2*f.size + 6}, f.size, left, false, t.under)
			freeUnder = start + width + 8
		}
	}
}

// leavesRoom reports whether the second line of the first tick can be written
// without pushing out the next one, which stands where a day or month begins.
func (f frame) leavesRoom(ticks []tick) bool {
	end := max(f.x(ticks[0].at)-textWidth(ticks[0].under, f.size)/2, 2) + textWidth(ticks[0].under, f.size) + 8
	for _, t := range ticks[1:] {
		if t.under != "" {
			return f.x(t.at)-textWidth(t.under, f.size)/2 >= end
		}
	}
	return true
}

func (c Chart) holds(m Mark) bool {
	end := m.Until
	if end.IsZero() {
		end = m.At
	}
	return m.At.Before(c.To) && !end.Before(c.From)
}

func (k MarkKind) isAlarm() bool { return k == Wake || k == Today }

// lanes counts the rows of marks: alarms have one of their own.
func (c Chart) lanes() int {
	rows := map[bool]bool{}
	for _, m := range c.Marks {
		if c.holds(m) {
			rows[m.Kind.isAlarm()] = true
		}
	}
	return len(rows)
}

// strip draws the marks in rows below y, alarms last.
func (c Chart) strip(p *picture, f frame, y float64, lanes int) {
	half := f.lane / 2
	for _, m := range c.Marks {
		if !c.holds(m) {
			continue
		}
		row := y + half
		if m.Kind.isAlarm() && lanes > 1 {
			row += f.lane
		}
		p.mark(m, f, row, half-3)
	}
}

// mark draws one sign of a radius about its row.
func (p *picture) mark(m Mark, f frame, y, radius float64) {
	x := f.x(m.At)
	s := shape{role: roles[m.Kind], closed: true, title: m.Text}
	if m.Kind.isAlarm() && m.Until.After(m.At) {
		end := max(f.x(m.Until), x+1)
		p.add(shape{role: s.role, closed: true, title: m.Text, paths: [][]pt{
			{{x, y + radius - 2.5}, {end, y + radius - 2.5}, {end, y + radius}, {x, y + radius}},
		}})
	}
	switch m.Kind {
	case Wake, Today:
		s.paths = [][]pt{{{x, y - radius}, {x + radius, y + radius}, {x - radius, y + radius}}}
	case Note:
		r := radius * 0.75
		s.paths = [][]pt{{{x - r, y - r}, {x + r, y - r}, {x + r, y + r}, {x - r, y + r}}}
	default:
		s.paths = [][]pt{drop(x, y, radius)}
	}
	p.add(s)
}

var roles = [...]role{Pulse: rolePulse, MissedPulse: roleMissed, Wake: roleWake, Today: roleToday, Note: roleNote}

// dropOutline is a falling drop of radius 1: a point and a round foot.
var dropOutline = [...]pt{
	{0, -1.15}, {0.42, -0.42}, {0.68, 0.1}, {0.72, 0.42}, {0.52, 0.8}, {0, 1},
	{-0.52, 0.8}, {-0.72, 0.42}, {-0.68, 0.1}, {-0.42, -0.42},
}

func drop(x, y, radius float64) []pt {
	out := make([]pt, len(dropOutline))
	for i, d := range dropOutline {
		out[i] = pt{x + d.x*radius, y + d.y*radius}
	}
	return out
}

// A valueAxis maps values of a panel onto pixels.
type valueAxis struct {
	*Panel
	low, high   float64 // as shown, at the foot and the head
	foot, head  float64 // pixels
	step        float64
	first, last int // ticks are multiples of step
}

// axisOf finds a range that holds everything the panel shows, and ticks at
// least apart pixels from each other.
func (p *Panel) axisOf(foot, head, apart float64) valueAxis {
	low, high := p.extent()
	air := (high - low) * 0.05 // so that no line lies on the frame
	low, high = low-air, high+air
	if short := p.Least - (high - low); short > 0 {
		low, high = low-short/2, high+short/2
	}
	if p.Ends != [2]float64{} {
		low, high = max(low, p.Ends[0]), min(high, p.Ends[1])
	}
	a := valueAxis{Panel: p, foot: foot, head: head, low: low, high: high}
	if !(a.high > a.low) {
		a.high = a.low + max(1, math.Abs(a.low)/1000)
	}
	most := max(math.Floor((foot-head)/apart), 1)
	a.step = niceStep((a.high - a.low) / most)
	a.first, a.last = int(math.Ceil(a.low/a.step-1e-9)), int(math.Floor(a.high/a.step+1e-9))
	return a
}

// absurd is beyond anything that a panel may show; one such value would
// flatten all others.
const absurd = 1e6

// extent returns the least and greatest of everything on the panel, as shown.
func (p *Panel) extent() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	take := func(v float64) {
		if v = p.shown(v); math.Abs(v) <= absurd {
			low, high = min(low, v), max(high, v)
		}
	}
	for _, s := range p.Series {
		for _, q := range s.Points {
			take(q.Min)
			take(q.Max)
		}
	}
	for _, b := range p.Bands {
		take(b.Low)
		take(b.High)
	}
	for _, l := range p.Limits {
		take(l.Value)
	}
	if low > high {
		return 0, 1
	}
	return low, high
}

// niceStep rounds up to 1, 2 or 5 times a power of ten.
func niceStep(rough float64) float64 {
	if !(rough > 0) || math.IsInf(rough, 0) {
		return 1
	}
	power := math.Pow(10, math.Floor(math.Log10(rough)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= rough*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// y returns the pixel of a value, held inside the plot.
func (a valueAxis) y(v float64) float64 { return a.at(a.shown(v)) }

// at returns the pixel of a value as shown.
func (a valueAxis) at(v float64) float64 {
	v = min(max(v, a.low), a.high)
	return a.foot - (v-a.low)/(a.high-a.low)*(a.foot-a.head)
}

func (a valueAxis) text(tick int) string {
	decimals := max(0, int(math.Ceil(-math.Log10(a.step)-1e-9)))
	return strconv.FormatFloat(float64(tick)*a.step, 'f', decimals, 64)
}
