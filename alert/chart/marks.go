package chart

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
