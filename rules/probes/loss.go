package probes

import (
	"math"
	"time"

	"dewline/configs"
)

// Loss counts the polls of a probe that brought nothing, as of the last some thousand.
type Loss struct {
	Got  uint16 `json:"got,omitempty"`  // that brought a reading
	Lost uint16 `json:"lost,omitempty"` // that brought none
	Rows uint16 `json:"rows,omitempty"` // in so many rows; an outage is one
}

// What is told of a probe whose radio is known to lose readings. Thresholds are this
// project's own.
const (
	lossChance = 1e-6             // that a poll begins a row of lost ones that is told
	lossKept   = 4096             // polls, then older ones count half
	lossFew    = 20               // polls that are believed to have come before any is known
	lossMany   = 0.1              // share of readings that a keeper reads about
	lossDelay  = 10 * time.Minute // by which a silence is told later, at most
)

// note takes a reading that came so many polls after the one before.
func (n *Loss) note(polls int) {
	if int(n.Got)+int(n.Lost) >= lossKept {
		n.Got, n.Lost, n.Rows = n.Got/2, n.Lost/2, n.Rows/2
	}
	n.Got++
	if lost := max(0, polls-1); lost > 0 {
		n.Lost += uint16(min(lost, lossKept/4))
		n.Rows++
	}
}

// share is the share of readings that do not come.
func (n *Loss) share() float64 {
	return float64(n.Lost) / (float64(n.Got) + float64(n.Lost) + lossFew)
}

// polls is how many lost ones in a row chance does not make. Losses come in rows, as
// when a gateway starts anew: after a lost one the next is lost by the share of those
// that were, and until that is known by the share of all.
func (n *Loss) polls() float64 {
	p := n.share()
	if p <= lossChance {
		return 0
	}
	next := (float64(n.Lost-min(n.Lost, n.Rows)) + lossFew*p) / (float64(n.Lost) + lossFew)
	return 1 + math.Log(lossChance/p)/math.Log(next)
}

// noteLoss counts what was missed before a reading. A silence that was told, or should
// have been, counts for no more.
func (p probe) noteLoss(since time.Duration, r *configs.Rules) {
	if p.St.Readings < 2 || p.St.Interval <= 0 { // how often it speaks is not known
		return
	}
	if since > p.SilentAfter(r) { // else it is less than what is told
		since = min(since, p.toldAfter(r)+p.St.Interval)
	}
	p.Loss.note(int((since + p.St.Interval/2) / p.St.Interval))
}

// toldAfter is how old the last reading of a probe is when its silence is told: as old as
// it may be, and later where its radio loses so many that this comes by chance. Nothing
// else waits for that.
func (p probe) toldAfter(r *configs.Rules) time.Duration {
	limit := p.SilentAfter(r)
	chance := time.Duration(min(p.Loss.polls()*float64(p.St.Interval), float64(limit+lossDelay)))
	return max(limit, chance)
}
