package main

import (
	"context"
	"encoding/json"
	"fmt"
	"sync"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"dewline/alert"
	"dewline/cmd/dewline/daemon"
	"dewline/rules/alarm"
)

// A phone is what the keeper would hold: it shows notices as they arrive.
type phone struct {
	show *shower
	// Closed when the room said that it is online, and that it is offline.
	came, gone      chan struct{}
	online, offline func()

	mu       sync.Mutex // guards what follows
	messages int
	versions map[string]int // newest version of each notice
	woken    map[string]bool
}

func newPhone(b *broker, room string, show *shower) (*phone, error) {
	p := &phone{show: show, versions: map[string]int{}, woken: map[string]bool{}, came: make(chan struct{}), gone: make(chan struct{})}
	p.online, p.offline = sync.OnceFunc(func() { close(p.came) }), sync.OnceFunc(func() { close(p.gone) })
	for i, topic := range []string{"notice", "status"} {
		hear := func(_ *mochi.Client, _ packets.Subscription, m packets.Packet) { p.receive(m.Payload) }
		if err := b.server.Subscribe("dewline/"+room+"/"+topic, i+1, hear); err != nil {
			return nil, fmt.Errorf("subscribe the demo's phone: %w", err)
		}
	}
	return p, nil
}

func (p *phone) receive(payload []byte) {
	var n alert.Message
	if err := json.Unmarshal(payload, &n); err != nil || n.ID == "" {
		switch string(payload) {
		case "online":
			p.online()
		case "offline": // the last comes after every notice
			p.offline()
		}
		return
	}
	p.mu.Lock()
	p.messages++
	known, seen := p.versions[n.ID]
	p.versions[n.ID] = max(known, n.Version)
	if n.Priority == alarm.Wake {
		p.woken[n.ID] = true
	}
	p.mu.Unlock()
	p.show.notice(n, seen && n.Version <= known)
}

// watch runs the room until everything that it sent has arrived.
func (p *phone) watch(ctx context.Context, d *daemon.Daemon) error {
	err := d.Run(ctx)
	timer := time.NewTimer(3 * time.Second)
	defer timer.Stop()
	select {
	case <-p.gone:
	case <-timer.C:
	case <-ctx.Done():
	}
	return err
}

func (p *phone) counts() tally {
	p.mu.Lock()
	defer p.mu.Unlock()
	return tally{p.messages, len(p.versions), len(p.woken)}
}
