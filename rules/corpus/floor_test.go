package corpus

import (
	"fmt"
	"slices"
	"time"

	"dewline/rules"
	"dewline/rules/alarm"
)

// dips hold the humidity floor against the truth: what the probes of a tank would
// show without noise and steps, for nobody can know how far a probe is off.
type dips struct {
	above  [60]float64 // % above the floor, of the last minutes
	minute int
	open   bool // it is dry, and counted
	at     time.Duration
	told   bool // the alarm stands
}

// The floor's aim: told within the hour where it is dry for three quarters of it; and
// what is raised was dry for half of the on-delay at least, or near it.
const (
	dipFor   = 45  // minutes of 60 that make a dip
	dipLate  = 15  // minutes after those
	dipDeep  = 0.5 // % under the floor
	dipNear  = 3.0 // % above it: of two probes, or of a door that was excused
	dipShort = 5   // minutes, of the least on-delay that is looked at
)

// A floorScore is what the rules made of it.
type floorScore struct {
	dips, inTime, late, never int
	raised, dry, near         int
}

func (s *floorScore) add(o floorScore) {
	s.dips, s.inTime, s.late, s.never = s.dips+o.dips, s.inTime+o.inTime, s.late+o.late, s.never+o.never
	s.raised, s.dry, s.near = s.raised+o.raised, s.dry+o.dry, s.near+o.near
}

// count is how many of the last n minutes were at most so much above the floor.
func (d *dips) count(n int, most float64) (dry int) {
	for i := range min(n, d.minute) {
		if d.above[(d.minute-1-i)%len(d.above)] <= most {
			dry++
		}
	}
	return dry
}

// watchFloor looks at every tank once a minute.
func (x *run) watchFloor() {
	s := &x.out.floor
	for i := range x.b.r.tanks {
		d, floor := &x.floor[i], float64(x.cfg.SpeciesFor(x.cfg.Enclosures[i]).Floor)
		h, ok := x.dampness(i)
		if !ok || floor == 0 {
			continue
		}
		d.above[d.minute%len(d.above)] = h - floor
		d.minute++
		dry := d.count(len(d.above), -dipDeep)
		switch {
		case !d.open && dry >= dipFor:
			d.open, d.at = true, x.now
			s.dips++
			if d.told {
				s.inTime, d.at = s.inTime+1, -1
			}
		case d.open && d.at >= 0 && d.told:
			if x.now-d.at <= dipLate*time.Minute {
				s.inTime++
			} else {
				s.late++
			}
			d.at = -1
		case d.open && dry == 0:
			if d.at >= 0 {
				s.never++
			}
			d.open = false
		}
	}
}

// dampness is the median of what the probes of a tank would show at best; false where
// one shows something else than the air.
func (x *run) dampness(tank int) (float64, bool) {
	var list []float64
	for j := range x.b.r.probes {
		p := &x.b.r.probes[j]
		if x.home[j] != tank {
			continue
		}
		if p.buried || p.twinOf >= 0 || p.tank != tank {
			return 0, false
		}
		_, h := x.w.read(p)
		list = append(list, min(100, h+p.biasH))
	}
	if len(list) == 0 {
		return 0, false
	}
	slices.Sort(list)
	return (list[(len(list)-1)/2] + list[len(list)/2]) / 2, true
}

// noteFloor notes what became of the floor's alarm.
func (x *run) noteFloor(t *rules.Transition) {
	i := slices.IndexFunc(x.b.r.tanks, func(k tank) bool { return k.id == t.Key.Subject })
	if t.Key.Alarm != alarm.HumidityFloor || i < 0 {
		return
	}
	d, s := &x.floor[i], &x.out.floor
	d.told = t.To == alarm.Unack || t.To == alarm.Acked
	delay := max(dipShort, int(x.cfg.Rules.FloorOnDelay.D().Minutes()))
	if t.From == t.To || t.To != alarm.Unack || d.minute < delay {
		return
	}
	switch s.raised++; {
	case d.count(delay, dipDeep) >= delay/2:
		s.dry++
	case d.count(delay, dipNear) >= delay/2:
		s.near++
	}
}

// printFloor: dry hours against what was told of them.
func printFloor(rows []*row) {
	fmt.Println("| humidity floor | dry hours | told in time | late | never | raised | dry | within 3 % | neither |\n|---|---|---|---|---|---|---|---|---|")
	var sum floorScore
	for _, r := range rows {
		var s floorScore
		for _, o := range r.cases {
			s.add(o.floor)
		}
		sum.add(s)
		if s.dips+s.raised > 0 {
			s.print(r.kind)
		}
	}
	sum.print("**all**")
	fmt.Println()
}

func (s *floorScore) print(name string) {
	fmt.Printf("| %s | %d | %d | %d | %d | %d | %d | %d | %d |\n", name, s.dips, s.inTime, s.late, s.never, s.raised, s.dry, s.near, s.raised-s.dry-s.near)
}
