package daemon

import (
	"context"
	"path/filepath"
	"sync"

	"dewline/alert/sounder"
	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/gpio"
)

func openSounder(s configs.Sounder) (sounder.Output, error) {
	if s.LED != "" {
		return sounder.OpenLED(filepath.Join(sounder.LEDs, s.LED))
	}
	out, err := gpio.OpenOut(gpio.Line{Chip: s.Chip, Offset: s.Line, ActiveLow: s.ActiveLow})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// startSounder starts the sounder, which is off once ctx has ended.
func (l *loop) startSounder(ctx context.Context, done *sync.WaitGroup) {
	l.sounder = sounder.New(func(down error) {
		if down != nil {
			l.log.Error("the sounder of the room does not work; watching and warning go on", "err", down)
		}
		l.post(ctx, func(now sensors.Instant) { l.apply(l.core.ChannelState(now, configs.ChannelSounder, down)) })
	})
	l.useSounder()
	done.Go(func() { l.sounder.Run(ctx) })
}

func (l *loop) useSounder() {
	s := l.cfg.Load().Sounder
	if !s.InUse() {
		l.sounder.Use(nil)
		return
	}
	l.sounder.Use(func() (sounder.Output, error) { return l.o.OpenSounder(s) })
}

// sounds lets the sounder call while a wake notice reaches nobody.
func (l *loop) sounds(now sensors.Instant) {
	on := l.core.Sounds(now)
	if on != l.sounding {
		l.log.Warn("the sounder of the room", "calls", on)
	}
	l.sounding = on
	l.sounder.Sound(on)
}
