package corpus

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/lamps"
	"dewline/rules/probes"
)

// A row gathers the outcomes of one kind.
type row struct {
	kind  string
	cases []*outcome
}

func rowsOf(all []*outcome) (list []*row) {
	for i := range kinds {
		r := &row{kind: kinds[i].name}
		for _, o := range all {
			if o.c.kind == r.kind {
				r.cases = append(r.cases, o)
			}
		}
		if len(r.cases) > 0 {
			list = append(list, r)
		}
	}
	return list
}

func printTable(half string, all []*outcome) {
	rows := rowsOf(all)
	fmt.Printf("#### %s half: %d cases\n\n", strings.ToUpper(half[:1])+half[1:], len(all))
	printFaults(rows)
	printHeat(rows)
	printHealthy(rows)
	printPeace(all)
	printFloor(rows)
	printRates(all)
}

// printFaults: in time, late and missed of the cases that could be seen; the
// cause right in what told it, and in the first raise after it began; the median
// delay; raises with another cause.
func printFaults(rows []*row) {
	fmt.Println("| fault | cases | in time | late | missed | cause | first | delay | stray |\n|---|---|---|---|---|---|---|---|---|")
	sum := tally{}
	for _, r := range rows {
		if r.cases[0].f.want == nil {
			continue
		}
		t := tally{}
		for _, o := range r.cases {
			t.add(o)
			sum.add(o)
		}
		t.print(r.kind)
	}
	sum.print("**all**")
	fmt.Println()
}

type tally struct {
	seen, inTime, late, missed, right, first, told, any, stray int
	delays                                                     []float64
}

func (t *tally) add(o *outcome) {
	t.stray += o.stray
	if o.due < 0 && o.told < 0 {
		return
	}
	t.seen++
	switch due := o.due; {
	case o.told < 0:
		t.missed++
	case due < 0 || o.told <= due+o.f.within:
		t.inTime++
	default:
		t.late++
	}
	if o.told >= 0 {
		t.told++
		if o.right {
			t.right++
		}
		t.delays = append(t.delays, max(0, (o.told-max(o.due, o.f.from)).Minutes()))
	}
	if o.first.Kind != "" {
		t.any++
		if o.firstRight {
			t.first++
		}
	}
}

func (t *tally) print(name string) {
	fmt.Printf("| %s | %d | %d | %d | %d | %s | %s | %s | %d |\n", name, t.seen, t.inTime, t.late, t.missed,
		of(t.right, t.told), of(t.first, t.any), minutes(t.delays), t.stray)
}

func of(n, all int) string {
	if all == 0 {
		return "–"
	}
	return fmt.Sprintf("%d of %d", n, all)
}

// minutes is the median, for people.
func minutes(list []float64) string {
	if len(list) == 0 {
		return "–"
	}
	m := median(list)
	if m >= 120 {
		return fmt.Sprintf("%.1f h", m/60)
	}
	return fmt.Sprintf("%.0f min", m)
}

func median(list []float64) float64 {
	slices.Sort(list)
	return list[len(list)/2]
}

// printHeat: lethal limits told on the first reading, lead from the first wake,
// and the ranges of what was left, between 5 and 120 min, past the limit that is
// worth a look.
func printHeat(rows []*row) {
	fmt.Println("| heat | lethal, told at once | woken before | lead, median (least) | asked | no answer | inside | width | interval score | said of those that never reach it |\n|---|---|---|---|---|---|---|---|---|---|")
	var sum row
	for _, r := range rows {
		sum.cases = append(sum.cases, r.cases...)
		if r.cases[0].f.want != nil && (r.cases[0].f.heat || r.lethal() > 0) {
			r.printHeat()
		}
	}
	sum.kind = "**all**"
	sum.printHeat()
	fmt.Println()
}

func (r *row) lethal() (n int) {
	for _, o := range r.cases {
		n += o.lethal
	}
	return n
}

func (r *row) printHeat() {
	var x outcome
	for _, o := range r.cases {
		x.lethal, x.lethalFirst, x.unled = x.lethal+o.lethal, x.lethalFirst+o.lethalFirst, x.unled+o.unled
		x.asked, x.mute, x.inside = x.asked+o.asked, x.mute+o.mute, x.inside+o.inside
		x.never, x.neverAsked = x.never+o.never, x.neverAsked+o.neverAsked
		x.lead, x.widths, x.scores = append(x.lead, o.lead...), append(x.widths, o.widths...), append(x.scores, o.scores...)
	}
	lead, width, score := "–", "–", "–"
	if len(x.lead) > 0 {
		lead = fmt.Sprintf("%s (%.0f)", minutes(x.lead), slices.Min(x.lead))
	}
	if n := len(x.widths); n > 0 {
		total := 0.0
		for _, s := range x.scores {
			total += s
		}
		width, score = minutes(x.widths), fmt.Sprintf("%.0f min", total/float64(n))
	}
	inside := "–"
	if n := x.asked - x.mute; n > 0 {
		inside = fmt.Sprintf("%.0f %% of %d", 100*float64(x.inside)/float64(n), n)
	}
	fmt.Printf("| %s | %s | %s | %s | %d | %d | %s | %s | %s | %s |\n", r.kind, of(x.lethalFirst, x.lethal), of(len(x.lead), len(x.lead)+x.unled),
		lead, x.asked, x.mute, inside, width, score, of(x.never, x.neverAsked))
}

// printHealthy: raises of today and wakes where nothing is wrong.
func printHealthy(rows []*row) {
	fmt.Println("| nothing wrong | room-days | raises a room-day | wakes | by alarm, per 100 tank-days |\n|---|---|---|---|---|")
	sum := peace{by: map[alarm.ID]int{}}
	for _, r := range rows {
		if r.cases[0].f.want != nil {
			continue
		}
		p := peace{by: map[alarm.ID]int{}}
		for _, o := range r.cases {
			p.add(o)
			sum.add(o)
		}
		p.print(r.kind)
	}
	sum.print("**all**")
	fmt.Println()
}

// printPeace: what was raised in ordinary rooms before their fault.
func printPeace(all []*outcome) {
	p := peace{by: map[alarm.ID]int{}}
	for _, o := range all {
		if o.f.want != nil {
			p.add(o)
		}
	}
	fmt.Println("| before the faults | room-days | raises a room-day | wakes | by alarm, per 100 tank-days |\n|---|---|---|---|---|")
	p.print("all faults' rooms")
	fmt.Println()
}

// printRates holds what was told while nothing was wrong against the rate that each
// judge is meant for by its table.
func printRates(all []*outcome) {
	p := peace{by: map[alarm.ID]int{}}
	wrong, told := 0, 0
	for _, o := range all {
		p.add(o)
		if o.f.want != nil && o.told >= 0 {
			told++
			if !o.right {
				wrong++
			}
		}
	}
	fmt.Println("| told wrongly | meant | measured |\n|---|---|---|")
	for _, r := range []struct {
		id    alarm.ID
		meant float64
	}{{alarm.LampStuck, lamps.FalseAlarms}, {alarm.ProbeFrozen, probes.FalseFrozen}, {alarm.DoorAjar, climate.FalseDoors},
		{alarm.ProbeDisagrees, probes.FalseSwaps}, {alarm.ProbeJump, probes.FalseShifts}} {
		n := p.by[r.id]
		measured := fmt.Sprintf("%.2f (%d in %.0f)", 100*float64(n)/p.tankDays, n, p.tankDays)
		if n == 0 { // the rule of three: with 95 % confidence no more than that
			measured = fmt.Sprintf("none in %.0f: at most %.2f", p.tankDays, 300/p.tankDays)
		}
		fmt.Printf("| %s, per 100 tank-days | %.1f | %s |\n", r.id, r.meant, measured)
	}
	drifts := 0
	for _, o := range all {
		drifts += o.drifts
	}
	fmt.Printf("| probe-overdue by drift, per 100 probe-years | %.0f | %d in %.0f tank-years |\n", probes.FalseDrifts, drifts, p.tankDays/365)
	fmt.Printf("| cause of what was told | 5 %% | %.1f %% (%d of %d) |\n\n", 100*float64(wrong)/float64(max(told, 1)), wrong, told)
}

type peace struct {
	days, tankDays float64
	raises, wakes  int
	by             map[alarm.ID]int
}

func (p *peace) add(o *outcome) {
	p.days, p.tankDays, p.wakes = p.days+o.peaceDays, p.tankDays+o.peaceDays*float64(o.tanks), p.wakes+o.wakes
	for id, n := range o.peace {
		p.by[id] += n
		p.raises += n
	}
}

func (p *peace) print(name string) {
	if p.days == 0 {
		return
	}
	ids := slices.SortedFunc(maps.Keys(p.by), func(a, b alarm.ID) int {
		return cmp.Or(cmp.Compare(p.by[b], p.by[a]), cmp.Compare(a, b))
	})
	list := make([]string, len(ids))
	for i, id := range ids {
		list[i] = fmt.Sprintf("%s %.1f", id, 100*float64(p.by[id])/p.tankDays)
	}
	fmt.Printf("| %s | %.0f | %.2f | %d | %s |\n", name, p.days, float64(p.raises)/p.days, p.wakes, strings.Join(list, ", "))
}

// truths lives through a healthy case without the rules.
func truths(t *testing.T, c caseID) (low, high, damp float64) {
	t.Helper()
	x, err := newRun(c)
	if err != nil {
		t.Fatal(err)
	}
	low, high = 100, -100
	seen, wet := 0, 0
	x.each(3*d, func() {
		if x.now < d || x.now%(10*time.Minute) != 0 {
			return
		}
		for i := range x.b.r.probes {
			if p := &x.b.r.probes[i]; p.place == "litter" {
				temp, hum := x.w.read(p)
				low, high = min(low, temp), max(high, temp)
				if seen++; hum > 65 {
					wet++
				}
			}
		}
	})
	return low, high, float64(wet) / float64(seen)
}
