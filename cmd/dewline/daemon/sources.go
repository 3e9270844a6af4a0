package daemon

import (
	"context"
	"fmt"

	"dewline/sensors"
)

// runSources runs the source, and a new one after each reload that changes the
// probes, until ctx ends or the source has no more.
func (d *Daemon) runSources(ctx context.Context, clock func() sensors.Instant, n notifier) error {
	watchdog := newWatchdog(d.loop, n)
	for {
		src, err := d.o.Source(d.cfg.Load(), clock, d.probes.ageing())
		if err != nil {
			return fmt.Errorf("build the probes: %w", err)
		}
		d.probes.use(src)
		srcCtx, stop := context.WithCancel(ctx)
		ended := make(chan error, 1)
		go func() { ended <- src.Run(srcCtx, d.loop.sink()) }()
		again, err := d.supervise(ctx, ended, watchdog)
		stop()
		if again {
			<-ended
			continue
		}
		return err
	}
}

// supervise waits beside a running source. It returns again after a reload
// that needs another source.
func (d *Daemon) supervise(ctx context.Context, ended <-chan error, w *watchdog) (again bool, err error) {
	for {
		select {
		case err := <-ended:
			if ctx.Err() != nil {
				return false, nil
			}
			return false, err
		case <-d.reloads:
			if d.reload() {
				return true, nil
			}
		case <-w.C():
			w.feed()
		}
	}
}
