package mqtt

import (
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"fmt"
	"log/slog"
	"net/url"
	"strings"
	"time"

	"dewline/alert"
)

// Options are what a Client works by.
type Options struct {
	Room   string // id, in topics
	Broker string // "tcp://host:1883", "ssl://host:8883"
	// ClientID defaults to "dewline-", the room and the instance. It stays the same so that a
	// new connection takes over from a dead one at once, whose will would
	// otherwise call a living room offline later.
	ClientID string
	Username string
	Password string
	TLS      *tls.Config // nil for the system's roots
	// Keys are the command keys, by person; those that are shorter than
	// KeyAtLeast are not to be given.
	Keys map[string][]byte
	// Token lets in a command that is not signed, as far as TokenFor says; empty
	// none.
	Token    string
	TokenFor string // TokenAnswers, the default, TokenAll or TokenNothing
	// Now is the wall time, and whether it is known to be right; nil for the
	// board's, believed.
	Now func() (t time.Time, set bool)
	// Instance tells boards with one room id apart; it stands on status/board and in
	// the client id. Empty for none.
	Instance string
	// Former is the board's instance before, whose retained alarms are its own unless
	// that board shows itself.
	Former string
	// OnCommand answers a command whose form and sender are right. It runs on
	// the client's own goroutine, never on paho's, one command at a time. The
	// Command that it gets has its Token blanked.
	OnCommand func(context.Context, alert.Command) alert.Reply
	// OnRefused is told of a command refused for its form or sender, for the
	// journal, and of few where there are many; nil for nobody.
	OnRefused func(c alert.Command, why string)
	// OnOther is told of the instance of another board with the same room id, each
	// time that it shows itself. It must not block for long.
	OnOther func(instance string)
	// OnWatched is told that a sentinel watches the room: live now, or when the
	// broker kept its word. An empty one says that none does.
	OnWatched func(sentinel string, live bool)
	// Watch names rooms of which OnSign is told each sign of life, on goroutines of the
	// library; OnSight is told when the broker begins to pass them, which lasts until
	// OnState says that the connection is gone.
	Watch   []string
	OnSign  func(Sign)
	OnSight func()
	// OnMissing is told what the broker does not let the room hear, and whether that is
	// grave: at the first connection and whenever it changes; nil for nobody.
	OnMissing func(what []string, grave bool)
	// OnState is told when the connection comes up, after the retained status
	// is out, with nil, and why there is none: at the start, when it is lost and
	// after each failed attempt. It must not block.
	OnState func(down error)
	// Rebuild throws the connection away when nothing was confirmed for so
	// long although something was sent; 3 min.
	Rebuild   time.Duration
	KeepAlive time.Duration // 30 s
	AskAgain  time.Duration // for a subscription that the broker refuses; 30 s
	Log       *slog.Logger
}

func (o *Options) complete() error {
	u, err := url.Parse(o.Broker)
	if err != nil {
		return fmt.Errorf("broker address: %w", err)
	}
	if _, port := scheme(u.Scheme); port == "" || u.Hostname() == "" {
		return fmt.Errorf("broker address %q is not of the form tcp://host:1883 or ssl://host:8883", o.Broker)
	}
	id := cmp.Or(o.ClientID, strings.TrimSuffix("dewline-"+o.Room+"-"+o.Instance, "-"))
	o.ClientID = short(id)
	o.Rebuild = cmp.Or(o.Rebuild, 3*time.Minute)
	o.KeepAlive, o.AskAgain = cmp.Or(o.KeepAlive, 30*time.Second), cmp.Or(o.AskAgain, 30*time.Second)
	o.Log = cmp.Or(o.Log, slog.New(slog.DiscardHandler))
	return nil
}

// short cuts a client id down to what every broker accepts (MQTT 3.1.1, 3.1.3.1).
func short(id string) string {
	if len(id) <= 23 {
		return id
	}
	sum := sha256.Sum256([]byte(id))
	return "dewline-" + hex.EncodeToString(sum[:7])
}

const (
	online  = "online"
	offline = "offline"
)

// scheme tells what a broker URL's scheme means; port is empty for unknown.
func scheme(s string) (secure bool, port string) {
	switch s {
	case "tcp", "mqtt":
		return false, "1883"
	case "ssl", "tls", "mqtts":
		return true, "8883"
	}
	return false, ""
}

// A Sign is one sign of life of a room, as a sentinel sees it.
type Sign struct {
	Room      string
	Status    string           // "online" or "offline", empty for a heartbeat
	Retained  bool             // an old status, kept by the broker
	Heartbeat *alert.Heartbeat // nil for a status
}
