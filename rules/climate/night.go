package climate

import "time"

// A NightReport is one lamp cycle: a lamps-on phase and the lamps-off phase
// after it.
type NightReport struct {
	Drop      float64 `json:"drop"` // °C; median of the last 2 h on minus of the last 2 h off
	DayMean   float64 `json:"day_mean"`
	NightMean float64 `json:"night_mean"`
	DayMin    float64 `json:"day_min"`
	DayMax    float64 `json:"day_max"`
	NightMin  float64 `json:"night_min"`
	NightMax  float64 `json:"night_max"`
	Complete  bool    `json:"complete"` // both phases had enough readings for Drop
}

const (
	nightBin   = 5 * time.Minute
	nightBins  = 24 // 2 h
	nightLeast = 12 // bins of them that must have readings
	dropsKept  = 14
	dropsFew   = 3         // before what is usual is known
	shortPhase = time.Hour // a shorter phase is a test of the lamps, not a day
)

// lampPhase sums up one phase.
type lampPhase struct {
	Start time.Duration      `json:"start"`
	Last  time.Duration      `json:"last"`
	N     int                `json:"n"`
	Mean  float64            `json:"mean"`
	Min   float64            `json:"min"`
	Max   float64            `json:"max"`
	Tail  [nightBins]float64 `json:"tail"` // means of 5 min, by their number
	Bins  [nightBins]int64   `json:"bins"` // that number
	Sum   float64            `json:"sum"`  // of the open bin
	Count int                `json:"count"`
	Bin   int64              `json:"bin"`
}

func (p *lampPhase) add(at time.Duration, celsius float64) {
	if p.N == 0 {
		*p = lampPhase{Start: at, Min: celsius, Max: celsius, Bin: int64(at / nightBin)}
	}
	p.Last = at
	p.N++
	p.Mean += (celsius - p.Mean) / float64(p.N)
	p.Min, p.Max = min(p.Min, celsius), max(p.Max, celsius)
	if bin := int64(at / nightBin); bin != p.Bin {
		p.closeBin()
		p.Bin = bin
	}
	p.Sum += celsius
	p.Count++
}

func (p *lampPhase) closeBin() {
	if p.Count > 0 {
		at := uint64(p.Bin) % nightBins
		p.Tail[at] = p.Sum / float64(p.Count)
		p.Bins[at] = p.Bin
	}
	p.Sum, p.Count = 0, 0
}

// tail returns the median of the last two hours before end, false where less
// than one of them has readings.
func (p *lampPhase) tail(end time.Duration) (float64, bool) {
	p.closeBin()
	var xs [nightBins]float64
	n := 0
	for i, b := range p.Bins {
		if start := time.Duration(b) * nightBin; b > 0 && start >= p.Start-nightBin && start >= end-2*time.Hour-nightBin {
			xs[n] = p.Tail[i]
			n++
		}
	}
	return median(xs[:n]), n >= nightLeast
}

// A litPhase is what is kept of a whole lamps-on phase.
type litPhase struct {
	Mean float64 `json:"mean"`
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
}

// Night compares lamps-on with lamps-off. The zero value is ready. The phases
// come with the readings, so that neither midnight nor a clock change matters:
// that only makes one of them an hour longer.
type Night struct {
	On      bool               `json:"on"`
	Phase   lampPhase          `json:"phase"` // under way
	Day     litPhase           `json:"day"`   // the last whole one with lamps on
	DayTail float64            `json:"day_tail"`
	HasDay  bool               `json:"has_day"`
	DayOK   bool               `json:"day_ok"` // DayTail is known
	Done    NightReport        `json:"done"`
	Cycles  int                `json:"cycles"`
	Drops   [dropsKept]float64 `json:"drops"` // of complete nights
	N       uint32             `json:"n"`
}

// Observe takes one good reading and whether the lamps are on by schedule. It
// returns true when a night has just ended: Report is new.
func (n *Night) Observe(at time.Duration, celsius float64, lampsOn bool) bool {
	if !finite(celsius) || n.Phase.N > 0 && at < n.Phase.Last {
		return false
	}
	ended := false
	if n.Phase.N > 0 && lampsOn != n.On {
		ended = n.turn(at)
	}
	n.On = lampsOn
	n.Phase.add(at, celsius)
	return ended
}

// turn ends a phase at a switch of the lamps.
func (n *Night) turn(at time.Duration) bool {
	p := n.Phase
	n.Phase = lampPhase{}
	if at-p.Start < shortPhase {
		return false
	}
	tail, ok := p.tail(at)
	if n.On {
		n.Day, n.DayTail, n.DayOK, n.HasDay = litPhase{p.Mean, p.Min, p.Max}, tail, ok, true
		return false
	}
	if !n.HasDay {
		return false
	}
	n.Done = NightReport{
		DayMean: n.Day.Mean, DayMin: n.Day.Min, DayMax: n.Day.Max,
		NightMean: p.Mean, NightMin: p.Min, NightMax: p.Max,
		Complete: ok && n.DayOK,
	}
	n.HasDay = false
	n.Cycles++
	if n.Done.Complete {
		n.Done.Drop = n.DayTail - tail
		n.Drops[n.N%dropsKept] = n.Done.Drop
		n.N++
	}
	return true
}

// Interrupt forgets the cycle under way, because nobody looked for so long that
// the lamps may have switched.
func (n *Night) Interrupt() { n.Phase, n.HasDay = lampPhase{}, false }

// Report returns the last whole cycle.
func (n *Night) Report() (NightReport, bool) { return n.Done, n.Cycles > 0 }

// Usual is the median drop of the complete nights that are kept from before the streak
// of those below least °C; false for fewer than three.
func (n *Night) Usual(least float64) (celsius float64, known bool) {
	var before []float64
	for i := n.Streak(least); i < int(min(n.N, dropsKept)); i++ {
		before = append(before, n.Drops[(n.N-1-uint32(i))%dropsKept])
	}
	return median(before), len(before) >= dropsFew
}

// Streak returns how many complete nights in a row, at most 14, had a drop
// below least °C. Nights without enough readings neither count nor break it.
func (n *Night) Streak(least float64) int {
	for i := range min(n.N, dropsKept) {
		if !(n.Drops[(n.N-1-i)%dropsKept] < least) {
			return int(i)
		}
	}
	return int(min(n.N, dropsKept))
}
