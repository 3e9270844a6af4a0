package daemon

import "time"

// A watchdog tells the service manager that dewline lives, but only on
// evidence: readings arrived and the rules finished a round with them. A hung
// bus or rule loop then ends in a restart instead of silence.
type watchdog struct {
	l      *loop
	n      notifier
	ticker *time.Ticker // nil where nobody asked
}

func newWatchdog(l *loop, n notifier) *watchdog {
	w := &watchdog{l: l, n: n}
	if every := watchdogInterval(); every > 0 && n.addr != "" {
		w.ticker = time.NewTicker(every)
	}
	return w
}

// C returns the channel that asks for feeding.
func (w *watchdog) C() <-chan time.Time {
	if w.ticker == nil {
		return nil
	}
	return w.ticker.C
}

// feed sends a sign of life if a round was finished lately.
func (w *watchdog) feed() {
	if !w.l.Lively(time.Now()) {
		w.l.log.Error("no round of readings and rules was finished lately; the service manager will restart dewline")
		return
	}
	if err := w.n.send("WATCHDOG=1"); err != nil {
		w.l.log.Warn("the service manager cannot be told", "err", err)
	}
}
