package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"dewline/alert"
	"dewline/rules/alarm"
)

// A phone is what the keeper would hold: it shows notices as they arrive.
type phone struct {
	client paho.Client
	show   *shower
	came   chan struct{} // closed when the room said that it is online
	gone   chan struct{} // closed when it said that it is offline

	mu       sync.Mutex // guards what follows
	messages int
	versions map[string]int // newest version of each notice
	woken    map[string]bool
	online   bool
	closed   bool
}

// startPhone connects and subscribes; its connection ends with ctx.
func startPhone(ctx context.Context, done *sync.WaitGroup, addr, room string, show *shower) (*phone, error) {
	p := &phone{show: show, versions: map[string]int{}, woken: map[string]bool{}, came: make(chan struct{}), gone: make(chan struct{})}
	o := paho.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("demo-phone").
		SetOrderMatters(true).SetConnectTimeout(5 * time.Second)
	p.client = paho.NewClient(o)
	if t := p.client.Connect(); !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return nil, fmt.Errorf("connect the demo's phone: %w", errors.Join(t.Error(), ctx.Err()))
	}
	topics := map[string]byte{"dewline/" + room + "/notice": 1, "dewline/" + room + "/status": 1}
	t := p.client.SubscribeMultiple(topics, func(_ paho.Client, m paho.Message) { p.receive(m) })
	if !t.WaitTimeout(5*time.Second) || t.Error() != nil {
		return nil, fmt.Errorf("subscribe the demo's phone: %w", errors.Join(t.Error(), ctx.Err()))
	}
	done.Go(func() {
		<-ctx.Done()
		p.client.Disconnect(100)
	})
	return p, nil
}

func (p *phone) receive(m paho.Message) {
	var n alert.Message
	if err := json.Unmarshal(m.Payload(), &n); err != nil || n.ID == "" {
		p.status(string(m.Payload()))
		return
	}
	p.mu.Lock()
	p.messages++
	known, seen := p.versions[n.ID]
	p.versions[n.ID] = max(known, n.Version)
	if !p.woken[n.ID] && n.Priority == alarm.Wake {
		p.woken[n.ID] = true
	}
	p.mu.Unlock()
	p.show.notice(n, seen && n.Version <= known)
}

// status: the last "offline" comes after every notice.
func (p *phone) status(s string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch s {
	case "online":
		if !p.online {
			p.online = true
			close(p.came)
		}
	case "offline":
		if p.online && !p.closed {
			p.closed = true
			close(p.gone)
		}
	}
}

// settle waits until everything that the room sent has arrived.
func (p *phone) settle(ctx context.Context) {
	timer := time.NewTimer(3 * time.Second)
	defer timer.Stop()
	select {
	case <-p.gone:
	case <-timer.C:
	case <-ctx.Done():
	}
}

func (p *phone) counts() (messages, notices, wakes int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.messages, len(p.versions), len(p.woken)
}
