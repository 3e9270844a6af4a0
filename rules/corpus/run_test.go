package corpus

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
)

// A world is a room that somebody's equations, or somebody's records, keep going.
type world interface {
	step(seconds float64, d *drive)
	read(p *probe) (celsius, percent float64)
}

// An outlook is what was said of the time left at one moment.
type outlook struct {
	at      time.Duration
	looking bool
	says    *alarm.Range
}

// An outcome is what the rules made of one case.
type outcome struct {
	c    caseID
	k    *kind
	f    *fault
	rows []string // transitions, for one who looks

	told, due   time.Duration // since the beginning, negative for never
	right       bool          // what told it names the cause
	first       alarm.Cause   // of the first raise after the fault began
	firstRight  bool
	stray       int              // raises after it that name another cause
	peace       map[alarm.ID]int // raises while nothing was wrong
	peaceDays   float64          // room-days
	tanks       int
	wakes       int       // raises or escalations that woke in peace
	lead        []float64 // min from the first wake of a tank to its lethal limit
	unled       int       // lethal limits reached before anybody was woken
	lethal      int       // tanks whose readings reached it
	lethalFirst int       // told on the first of these readings
	asked, mute int       // moments with 5 to 120 min left; without an answer
	inside      int
	widths      []float64 // min
	scores      []float64 // interval score at 90 %, min
	never       int       // ranges given to tanks that never reached it
	neverAsked  int
	drifts      int // notes of drifting probes where none drifts
	floor       floorScore
}

// A run is one case on its way.
type run struct {
	b     *builder
	w     world
	cfg   *configs.Config
	e     *rules.Engine
	judge []*sensors.Judge
	next  []time.Duration // each probe's next reading
	noise []*rand.Rand
	late  *rand.Rand
	last  []sensors.Sample
	home  []int // each probe's tank, as configured
	now   time.Duration
	out   *outcome
	mild  map[alarm.Key]bool // an alarm is open, or was, for the week only

	crossed  []time.Duration // truth at the lethal limit, by tank; 0 for not yet
	reached  []time.Duration // a reading of it
	toldHot  []time.Duration
	woken    []time.Duration
	outlooks [][]outlook
	floor    []dips
}

// play runs one case and scores it. The same case gives the same outcome.
func play(c caseID) (*outcome, error) {
	x, err := newRun(c)
	if err != nil {
		return nil, err
	}
	x.each(x.b.f.from+x.out.k.watch, func() {
		x.readAll()
		if x.now%x.b.r.poll == 0 {
			x.take(x.e.Tick(x.instant()))
		}
		if x.now%time.Minute == 0 {
			x.watch()
			if x.out.c.gen != 'o' && x.out.c.gen != 'h' && x.b.f.sample == nil { // of those the readings are the truth
				x.watchFloor()
			}
		}
	})
	x.score()
	return x.out, nil
}

// newRun draws the room and its fault from the case's seed.
func newRun(c caseID) (*run, error) {
	k := kindOf(c.kind)
	if k == nil {
		return nil, fmt.Errorf("no kind %q", c.kind)
	}
	rng := chances(c, 0)
	b := &builder{kind: k, gen: c.gen, rng: rng, r: newRoom(rng)}
	x := &run{b: b, mild: map[alarm.Key]bool{}, out: &outcome{c: c, k: k, f: &b.f, told: -1, due: -1, peace: map[alarm.ID]int{}}}
	if c.gen == 'o' || c.gen == 'h' {
		var err error
		if x.w, err = newOpenWorld(b.r, c, rng); err != nil {
			return nil, err
		}
	}
	if k.build != nil {
		k.build(b)
	}
	switch c.gen {
	case 'p':
		x.w = newPhysical(b.r, chances(c, 1))
	case 's':
		x.w = newStatistical(b.r, chances(c, 1))
	case 'r':
		x.w = newRack(b.r, chances(c, 1))
	case 'n':
		x.w = newPlain(b.r, chances(c, 1))
	}
	return x, x.begin()
}

// chances is one of the streams that a case draws from.
func chances(c caseID, stream uint64) *rand.Rand {
	sum := fnv.New64a()
	fmt.Fprintf(sum, "%s %c", c.kind, c.gen)
	return rand.New(rand.NewPCG(c.seed, sum.Sum64()+stream))
}

func kindOf(name string) *kind {
	for i := range kinds {
		if kinds[i].name == name {
			return &kinds[i]
		}
	}
	return nil
}

func (x *run) begin() (err error) {
	r := x.b.r
	if x.cfg, err = r.config(); err != nil {
		return fmt.Errorf("configure %v: %w", x.out.c, err)
	}
	// A trace's poll is that of its readings, as dewline replay has it.
	x.cfg.Room.Poll = configs.Duration(r.poll)
	x.cfg.Rules.SilentAfter = max(x.cfg.Rules.SilentAfter, 3*x.cfg.Room.Poll)
	x.e = rules.New(x.cfg)
	n := len(r.tanks)
	x.out.tanks = n
	x.crossed, x.reached, x.toldHot, x.woken = make([]time.Duration, n), make([]time.Duration, n), make([]time.Duration, n), make([]time.Duration, n)
	x.outlooks, x.floor = make([][]outlook, n), make([]dips, n)
	x.late = chances(x.out.c, 2)
	for i, p := range r.probes {
		x.judge = append(x.judge, table.NewJudge(sensors.ProbeID(p.id), "simulated"))
		x.noise = append(x.noise, chances(x.out.c, 100+uint64(i)))
		x.home = append(x.home, p.tank)
	}
	x.next, x.last = make([]time.Duration, len(r.probes)), make([]sensors.Sample, len(r.probes))
	return nil
}

func (x *run) instant() sensors.Instant {
	return sensors.Instant{Mono: x.now, Wall: x.b.r.begin.Add(x.now), Synced: true}
}

// A room that is measured less often is still integrated this often.
const longestStep = 30 * time.Second

// each lets the room live and calls look after every step.
func (x *run) each(end time.Duration, look func()) {
	r, f := x.b.r, &x.b.f
	step := min(r.poll, longestStep)
	hands := newDrives(r, chances(x.out.c, 3))
	for x.now < end {
		x.now += step
		drive := hands.to(x.now, step)
		if x.now >= f.from && f.drive != nil {
			if f.start == 0 && len(f.tanks) > 0 {
				f.start = x.hottest(f.tanks[0])
			}
			f.drive(x.now-f.from, drive)
		}
		x.w.step(step.Seconds(), drive)
		look()
	}
}

// hottest is the truth at the hottest probed place of a tank.
func (x *run) hottest(tank int) float64 {
	hot := -100.0
	for i := range x.home {
		if x.home[i] == tank {
			t, _ := x.w.read(&x.b.r.probes[i])
			hot = max(hot, t)
		}
	}
	return hot
}

func (x *run) readAll() {
	open, isOpen := x.w.(*openWorld)
	for i := range x.b.r.probes {
		if isOpen && !open.fresh || !isOpen && x.now < x.next[i] {
			continue
		}
		poll := x.b.r.poll
		x.next[i] = (x.now / poll * poll) + poll + time.Duration(x.b.r.jitter*x.late.Float64()*float64(poll)).Truncate(longestStep)
		if loss := x.b.r.probes[i].loss; loss > 0 && x.noise[i].Float64() < loss {
			continue
		}
		s, err := x.sample(i)
		reading := x.judge[i].Read(x.instant(), s, err)
		x.noteHot(i, &reading)
		x.take(x.e.Step(&reading))
	}
}

// sample is what a probe delivers: the truth with its flaws and its fault.
func (x *run) sample(i int) (sensors.Sample, error) {
	p, rng := &x.b.r.probes[i], x.noise[i]
	t, h := x.w.read(p)
	if b := x.b; b.top > 0 && p.tank >= 0 {
		t = max(20.1+p.biasT, b.top-0.2*math.Log1p(math.Exp((b.top-t)/0.2)))
	}
	if p.stepT > 0 {
		wide := 1.0
		if rng.Float64() < p.tail {
			wide = 5
		}
		t = p.round(t+p.biasT+wide*p.sdT*rng.NormFloat64(), p.stepT)
		h = p.round(h+p.biasH+wide*p.sdH*rng.NormFloat64(), p.stepH)
	}
	s := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity,
		Temperature: sensors.CelsiusOf(t), Humidity: sensors.PercentOf(min(100, max(0, h)))}
	if p.twinOf >= 0 {
		s = x.last[p.twinOf]
	}
	x.last[i] = s
	if f := &x.b.f; f.sample != nil && x.now >= f.from {
		err := f.sample(i, x.now-f.from, &s)
		return s, err
	}
	return s, nil
}

// noteHot notes the first reading of a sound probe at the lethal limit.
func (x *run) noteHot(i int, r *sensors.Reading) {
	tank := x.home[i]
	if tank < 0 || r.Has&sensors.HasTemperature == 0 || x.reached[tank] > 0 || x.b.f.sample != nil && x.now >= x.b.f.from {
		return
	}
	if limit := float64(x.cfg.SpeciesFor(x.cfg.Enclosures[tank]).Lethal); r.Temperature >= sensors.CelsiusOf(limit) {
		x.reached[tank] = x.now
	}
}

// watch looks at the truth each minute, and each fifth at what is said of it.
func (x *run) watch() {
	f := &x.b.f
	if x.now < f.from || f.want == nil {
		return
	}
	if x.out.due < 0 && f.outside == 0 && x.now >= max(f.from, f.due) {
		x.out.due = max(f.from, f.due)
	}
	if !f.heat && f.outside == 0 {
		return
	}
	ask := f.heat && x.now%(5*time.Minute) == 0
	for i, v := range x.views(ask || x.out.due < 0 && f.outside != 0) {
		hot := x.hottest(i)
		if f.heat && x.crossed[i] == 0 && hot >= v.Lethal {
			x.crossed[i] = x.now
		}
		felt, _ := x.w.read(&x.b.r.probes[slices.Index(x.home, i)]) // where the frogs live
		if x.out.due < 0 && (f.outside > 0 && felt > v.BandHigh+0.3 || f.outside < 0 && felt < v.BandLow-0.3) {
			x.out.due = x.now
		}
		if ask && x.crossed[i] == 0 {
			x.outlooks[i] = append(x.outlooks[i], outlook{x.now, v.Temperature.Value >= v.Warn, v.ToLethal})
		}
	}
}

// views are the enclosures' views, or only their limits where nobody asks.
func (x *run) views(ask bool) []rules.EnclosureView {
	if ask {
		return x.e.Enclosures()
	}
	list := make([]rules.EnclosureView, len(x.cfg.Enclosures))
	for i := range list {
		list[i].Lethal = float64(x.cfg.SpeciesFor(x.cfg.Enclosures[i]).Lethal)
	}
	return list
}

// take notes what is told.
func (x *run) take(ts []rules.Transition) {
	f, o := &x.b.f, x.out
	for i := range ts {
		t := &ts[i]
		raised := t.From != t.To && t.To == alarm.Unack
		if t.From == t.To && x.mild[t.Key] && t.Priority > alarm.Note { // what was for the week is told
			raised = t.To == alarm.Unack
		}
		x.mild[t.Key] = t.Priority == alarm.Note
		if t.Priority == alarm.Wake && (raised || t.From == t.To && t.To == alarm.Unack) {
			x.noteWake(t)
		}
		if raised || t.From != t.To {
			o.rows = append(o.rows, fmt.Sprintf("%+8.2f h  %-5v %s → %s %s %s by %s %s: %s", (x.now-f.from).Hours(), t.Priority, t.From, t.To,
				t.Key.Alarm, t.Key.Subject, t.Cause.Kind, t.Cause.ID, words.Sentence(&t.Onset, unit.Celsius)))
		}
		x.noteFloor(t)
		peace := x.now < f.from || f.want == nil
		note := t.Priority == alarm.Note && t.Key.Alarm != alarm.MistWeak && (peace || !f.notes || !slices.Contains(f.want, t.Key.Alarm))
		if raised && peace && t.Key.Alarm == alarm.ProbeOverdue {
			o.drifts++
		}
		if !raised || note {
			continue
		}
		if peace {
			o.peace[t.Key.Alarm]++
			continue
		}
		x.noteTold(t)
	}
}

func (x *run) noteWake(t *rules.Transition) {
	if x.now < x.b.f.from || x.b.f.want == nil {
		x.out.wakes++
	}
	i := slices.IndexFunc(x.b.r.tanks, func(k tank) bool { return k.id == t.Key.Subject })
	if i < 0 {
		return
	}
	if x.woken[i] == 0 {
		x.woken[i] = x.now
	}
	if t.Key.Alarm == alarm.LethalLimit && x.toldHot[i] == 0 {
		x.toldHot[i] = x.now
	}
}

func (x *run) noteTold(t *rules.Transition) {
	f, o := &x.b.f, x.out
	right := slices.Contains(f.causes, t.Cause.Kind)
	if o.first.Kind == "" {
		o.first, o.firstRight = t.Cause, right
	}
	switch {
	case slices.Contains(f.want, t.Key.Alarm) && x.concerns(t.Key.Subject) && (x.now >= f.due || len(f.probes) > 0):
		if o.told < 0 && (right || !f.strict) {
			o.told, o.right = x.now, right
		}
	case !right:
		o.stray++
	}
}

func (x *run) concerns(subject string) bool {
	f := &x.b.f
	if len(f.tanks)+len(f.probes) == 0 {
		return true
	}
	for _, i := range f.tanks {
		if x.b.r.tanks[i].id == subject {
			return true
		}
	}
	for _, i := range f.probes {
		p := &x.b.r.probes[i]
		if p.id == subject || x.home[i] >= 0 && x.b.r.tanks[x.home[i]].id == subject {
			return true
		}
	}
	return false
}

// score compares what was said with what became of it.
func (x *run) score() {
	f, o := &x.b.f, x.out
	o.peaceDays = min(x.now, f.from).Hours() / 24
	if f.want == nil {
		o.peaceDays = x.now.Hours() / 24
	}
	lethalOnly := len(f.want) == 1 && f.want[0] == alarm.LethalLimit
	if lethalOnly { // can be told from the first reading that shows it
		o.due = -1
		if i := f.tanks[0]; x.reached[i] > 0 {
			o.due = x.reached[i]
		}
	}
	for i := range x.reached {
		if x.reached[i] > 0 {
			o.lethal++
			if x.toldHot[i] > 0 && x.toldHot[i] <= x.reached[i] {
				o.lethalFirst++
			}
		}
		if at := x.crossed[i]; f.heat && at > 0 {
			if w := x.woken[i]; w > 0 && w < at {
				o.lead = append(o.lead, (at - w).Minutes())
			} else {
				o.unled++
			}
		}
		shown := x.crossed[i] // what is foretold is what the probes show
		if at := x.reached[i]; shown > 0 && at > 0 {
			shown = min(shown, at)
		}
		for _, q := range x.outlooks[i] {
			o.mark(q, shown)
		}
	}
}

// mark scores one range: the interval score of Gneiting & Raftery 2007 (JASA
// 102:359), for ranges that are to hold nine times of ten.
func (o *outcome) mark(q outlook, crossed time.Duration) {
	if crossed == 0 {
		o.neverAsked++
		if q.says != nil {
			o.never++
		}
		return
	}
	left := (crossed - q.at).Minutes()
	if left < 5 || left > 120 || !q.looking {
		return
	}
	o.asked++
	if q.says == nil {
		o.mute++
		return
	}
	l, u := q.says.FromMinutes, q.says.ToMinutes
	s := u - l
	switch {
	case left < l:
		s += 20 * (l - left)
	case left > u:
		s += 20 * (left - u)
	default:
		o.inside++
	}
	o.widths, o.scores = append(o.widths, u-l), append(o.scores, s)
}
