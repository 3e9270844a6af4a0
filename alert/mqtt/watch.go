package mqtt

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"strings"

	"dewline/alert"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A Sign is one sign of life of a room, as a sentinel sees it.
type Sign struct {
	Room      string
	Status    string           // "online" or "offline", empty for a heartbeat
	Retained  bool             // an old status, kept by the broker
	Heartbeat *alert.Heartbeat // nil for a status
}

// Watch subscribes to the status and heartbeat of the rooms and calls sink for each
// sign until ctx ends, from one goroutine. A sink that blocks for long loses signs,
// never the connection. Options.Room is not used; OnState is.
func Watch(ctx context.Context, o Options, rooms []string, sink func(Sign)) error {
	// Two boards may watch each other: each needs an id of its own.
	if err := o.complete("dewline-s-" + strings.ToLower(rand.Text()[:8])); err != nil {
		return err
	}
	var topics []string
	for _, r := range rooms {
		topics = append(topics, "dewline/"+r+"/status", "dewline/"+r+"/heartbeat")
	}
	signs := make(chan Sign, 256)
	o.reconnect(ctx, func() (bool, error) { return watchOnce(ctx, &o, topics, signs, sink) })
	return nil
}

// watchOnce watches over one connection, and reports whether there was one.
func watchOnce(ctx context.Context, o *Options, topics []string, signs chan Sign, sink func(Sign)) (bool, error) {
	s, err := connect(ctx, o, "")
	if err != nil {
		return false, err
	}
	defer s.client.Disconnect(250)
	receive := func(_ paho.Client, m paho.Message) {
		sign, ok := parseSign(m.Topic(), m.Payload(), m.Retained())
		if !ok {
			return
		}
		select {
		case signs <- sign:
		default:
		}
	}
	sub, cancel := context.WithTimeout(ctx, confirmTime)
	defer cancel()
	if err := s.subscribe(sub, receive, topics...); err != nil {
		return false, err
	}
	if o.OnState != nil {
		o.OnState(nil)
		defer o.OnState(errNotConnected)
	}
	for {
		select {
		case <-ctx.Done():
			return true, ctx.Err()
		case <-s.lost:
			return true, s.cause
		case sign := <-signs:
			sink(sign)
		}
	}
}

// parseSign reads one message; anything that is no sign of life is not ok.
func parseSign(topic string, payload []byte, retained bool) (Sign, bool) {
	part := strings.Split(topic, "/")
	if len(part) != 3 || part[0] != "dewline" || len(payload) > maxCommand {
		return Sign{}, false
	}
	s := Sign{Room: part[1], Retained: retained}
	switch {
	case part[2] == "status" && (string(payload) == online || string(payload) == offline):
		s.Status = string(payload)
		return s, true
	case part[2] == "heartbeat" && !retained:
		var h alert.Heartbeat
		if json.Unmarshal(payload, &h) != nil {
			return Sign{}, false
		}
		h.Room = part[1] // the topic says which room speaks
		s.Heartbeat = &h
		return s, true
	}
	return Sign{}, false
}
