package mqtt

import (
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

func (c *Client) sign(_ paho.Client, m paho.Message) {
	if s, ok := parseSign(m.Topic(), m.Payload(), m.Retained()); ok {
		c.opt.OnSign(s)
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
