package probes

import (
	"math"
	"slices"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/room"
)

// Loss counts the polls of a probe that brought nothing, as of the last some thousand.
type Loss struct {
	Got  uint16 `json:"got,omitempty"`  // that brought a reading
	Lost uint16 `json:"lost,omitempty"` // that brought none
	Rows uint16 `json:"rows,omitempty"` // in so many rows; an outage is one
	Long uint16 `json:"long,omitempty"` // of them that were longer than the last reading may be old
	// Longest are the longest rows, Before those of the polls before.
	Longest [lossTops]uint16 `json:"longest,omitzero"`
	Before  [lossTops]uint16 `json:"before,omitzero"`
}

// What is told of a probe whose radio is known to lose readings. Thresholds are this
// project's own.
const (
	lossChance = 1e-6             // that a poll begins a row of lost ones that is told
	lossKept   = 4096             // polls, then older ones count half
	lossFew    = 20               // polls that are believed to have come before any is known
	lossPoor   = 0.05             // share that makes a poor radio
	lossMany   = 0.1              // share of readings that a keeper reads about
	lossDelay  = 10 * time.Minute // by which a silence is told later, at most
	// Losses are as good as never of one law: a row is nothing new until it is so many
	// times as long as the third longest. One or two may have been a hand.
	lossTops   = 3
	lossBeyond = 2.5
	lossHold   = 2 * time.Hour // for which what was told stays so, lest it comes and goes
	lossAgain  = 3             // rows, or those that would each be an alarm of their own
)

// note takes a reading that came so many polls after the one before, and says whether
// that was longer than it may be.
func (n *Loss) note(polls int, long bool) {
	if int(n.Got)+int(n.Lost) >= lossKept {
		n.Got, n.Lost, n.Rows, n.Long = n.Got/2, n.Lost/2, n.Rows/2, n.Long/2
		n.Before, n.Longest = n.Longest, [lossTops]uint16{}
	}
	n.Got++
	lost := uint16(min(max(0, polls-1), lossKept/4))
	if lost == 0 {
		return
	}
	n.Lost += lost
	n.Rows++
	if long {
		n.Long++
	}
	for i, x := range n.Longest {
		if lost > x {
			n.Longest[i], lost = lost, x
		}
	}
}

// share is the share of readings that do not come.
func (n *Loss) share() float64 {
	return float64(n.Lost) / (float64(n.Got) + float64(n.Lost) + lossFew)
}

// third is the third longest row, in polls.
func (n *Loss) third() uint16 {
	all := slices.Concat(n.Longest[:], n.Before[:])
	slices.Sort(all)
	return all[len(all)-lossTops]
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
	return max(1+math.Log(lossChance/p)/math.Log(next), lossBeyond*float64(n.third()))
}

// noteLoss counts what was missed before a reading. A silence that was told, or should
// have been, counts for no more, but in a radio that is known to be poor.
func (p probe) noteLoss(since, limit time.Duration, r *configs.Rules) {
	if p.St.Readings < 2 || p.St.Interval <= 0 { // how often it speaks is not known
		return
	}
	long := since > limit
	switch {
	case !long: // it is less than what is told
	case p.poor():
		since = min(since, limit+2*lossDelay)
	default:
		since = min(since, p.toldAfter(r)+p.St.Interval)
	}
	p.Loss.note(int((since+p.St.Interval/2)/p.St.Interval), long)
}

// toldAfter is how old the last reading of a probe is when its silence is told: as old as
// it may be, and later where its radio loses so many that this comes by chance; twice as
// late where so long a row is nothing new. Nothing else waits for that.
func (p probe) toldAfter(r *configs.Rules) time.Duration {
	limit := p.SilentAfter(r)
	most := limit + lossDelay
	if time.Duration(p.Loss.third())*p.St.Interval-limit > lossDelay*2/3 {
		most += lossDelay
	}
	return max(limit, time.Duration(min(p.Loss.polls()*float64(p.St.Interval), float64(most))))
}

// poor reports whether the radio loses many readings, and not only in one outage.
func (p probe) poor() bool { return p.Loss.share() >= lossPoor && p.Loss.Rows >= lossAgain }

// held reports whether a silence that is over stays told: a radio that is silent again
// and again is one alarm. One that wakes is not held.
func (p probe) held(s *room.Alarm, now time.Duration) bool {
	return s.Rec.Life.Active && s.Rec.Priority < alarm.Wake && p.poor() && now-p.Told < lossHold
}

// judgeLossy notes a radio that is poor and still watches.
func (l look) judgeLossy(p probe) {
	s := p.Alarm(alarm.KindLossy)
	if p.Loss.Long < lossAgain && !s.Open() {
		return
	}
	long := time.Duration(p.Loss.third()) * p.St.Interval
	lossy := (p.poor() || s.Open()) && long+p.St.Interval > p.SilentAfter(&l.v.Cfg.Rules)
	if lossy || s.Open() {
		l.out.Hold(s, lossy)
	}
}
