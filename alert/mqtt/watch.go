package mqtt

import (
	"context"

	"dewline/alert"
)

// A Sign is one sign of life of a room, as a sentinel sees it.
type Sign struct {
	Room      string
	Status    string           // "online" or "offline", empty for a heartbeat
	Retained  bool             // an old status, kept by the broker
	Heartbeat *alert.Heartbeat // nil for a status
}

// Watch subscribes to the status and heartbeat of the rooms (none: of every
// room) and calls sink for each sign until ctx ends. sink may block for a
// short while. Options.Room is not used; OnState is.
func Watch(ctx context.Context, o Options, rooms []string, sink func(Sign)) error { return nil }
