package daemon

import (
	"encoding/json"
	"slices"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// heartbeatEvery is how often a sign of life is due on either way.
func (l *loop) heartbeatEvery() time.Duration {
	cfg := l.cfg.Load()
	every := cfg.MQTT.Heartbeat.D()
	if cfg.Outside.URL+cfg.Outside.URLFile != "" {
		every = min(every, cfg.Outside.Every.D())
	}
	return every
}

// sendHeartbeats sends signs of life. The broker gets one in any case, whose
// Cycle stands still while no round is finished; an outside address knows only
// that they come or not, so it gets none then.
func (l *loop) sendHeartbeats(real time.Time) {
	h := l.heartbeat()
	l.channels.heartbeat(h)
	now := l.now().Mono
	if !l.Lively(real) || l.beatAt != 0 && now-l.beatAt < l.cfg.Load().Outside.Every.D()-time.Second {
		return
	}
	l.beatAt = now
	l.channels.outside(h)
}

func (l *loop) heartbeat() alert.Heartbeat {
	now := l.now()
	h := alert.Heartbeat{
		Room: l.cfg.Load().Room.ID, Time: now.Wall, ClockSet: now.Synced, Uptime: time.Since(l.started).Seconds(),
		Version: l.o.Version, Cycle: l.rounds.cycle,
	}
	if s := l.snapshot.Load(); s != nil {
		h.OpenWake, h.Stalled = s.Delivery.OpenWake, s.Stalled
	}
	return h
}

func (l *loop) publishClimate() {
	client := l.channels.broker()
	if client == nil {
		return
	}
	for _, v := range l.core.Enclosures() {
		doc, err := json.Marshal(wire.ClimateOf(&v))
		if err != nil {
			l.log.Error("a climate cannot be shown", "enclosure", v.ID, "err", err)
			continue
		}
		client.Climate(v.ID, doc)
	}
}

// takeWays puts other channels in use, the connection to the broker only where
// its settings or its secrets are others or it could not work. What is on its way by the old ones is
// finished.
func (l *loop) takeWays(next *channels, keepMQTT bool) {
	if next == nil {
		return
	}
	keepMQTT = keepMQTT && l.channels.keepsBroker(next)
	l.channels.swap(next, keepMQTT)
	if keepMQTT {
		l.courier.Swap(next.byName, "mqtt")
		return
	}
	l.courier.Swap(next.byName)
	l.showAll()
}

// showLeftOut tells what does not work for want of a secret. What a broker refuses its
// client tells; none refuses nothing.
func (l *loop) showLeftOut(now sensors.Instant) {
	l.apply(l.core.LeftOut(now, l.leftOut()))
	if l.channels.broker() == nil {
		l.apply(l.core.NotGranted(now, nil, false))
	}
}

// leftOut lists what does not work for want of a secret.
func (l *loop) leftOut() []alarm.Fact {
	out := slices.Clone(l.channels.inUse().leftOut)
	if _, err := secret(l.cfg.Load().HTTP.TokenFile); err != nil {
		out = append(out, withoutSecret(alarm.FactNoPageToken, err))
	}
	return out
}
