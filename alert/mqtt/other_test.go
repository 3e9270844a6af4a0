package mqtt

import (
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"
	"dewline/sensors/remote/mosquitto"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// A room hears of the sentinel that watches it, live and after its own start.
func TestClient_Watched(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	sentinel, _ := client(t, Options{Room: "sentinel-watch", Broker: b.URL()})
	eventually(t, "connected", sentinel.connected)
	type word struct {
		sentinel string
		live     bool
	}
	room := func(name string) chan word {
		heard := make(chan word, 8)
		c, _ := client(t, Options{Room: "attic", Instance: name, Broker: b.URL(), OnWatched: func(s string, live bool) { heard <- word{s, live} }})
		eventually(t, "connected", c.connected)
		return heard
	}
	first := room("one")
	sentinel.Watching([]string{"attic", "cellar"}, time.Now())
	if got := <-first; got != (word{"sentinel-watch", true}) {
		t.Errorf("heard %+v", got)
	}
	if got := <-room("two"); got != (word{"sentinel-watch", false}) {
		t.Errorf("after a start: %+v", got)
	}
	newPhone(t, b.URL(), "").client.Publish("dewline/attic/watched", 1, true, "").Wait()
	if got := <-first; got.sentinel != "" {
		t.Errorf("given up: %+v", got)
	}
}

// Two boards with one room id stay connected beside each other, each hears of the
// other, and neither takes the other's alarms away: not by its own end of the same
// alarm, not by tidying up.
func TestClient_TwoBoards(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	heard := map[string]chan string{"one": make(chan string, 64), "two": make(chan string, 64)}
	var losses [2]atomic.Int64
	board := func(i int, instance string) *Client {
		up := false
		c, _ := client(t, Options{Broker: b.URL(), Instance: instance, OnOther: func(other string) { heard[instance] <- other },
			OnState: func(down error) {
				if up && down != nil {
					losses[i].Add(1)
				}
				up = down == nil
			}})
		eventually(t, "connected", c.connected)
		return c
	}
	lethal := alarm.Key{Alarm: alarm.LethalLimit, Subject: "e1"}
	band := alarm.Key{Alarm: alarm.AboveBand, Subject: "e1"}
	const lethalTopic, bandTopic = "dewline/attic/alarm/lethal-ceiling/e1", "dewline/attic/alarm/above-band/e1"
	p := newPhone(t, b.URL(), "", "dewline/attic/alarm/#")
	p.client.Publish("dewline/attic/alarm/above-band/gone", 1, true, `{"instance":"two"}`).Wait()
	one := board(0, "one")
	one.Alarm(lethal, []byte(`{"instance":"one"}`))
	one.Alarm(band, []byte(`{"instance":"one"}`))
	eventually(t, "the alarms of one", func() bool { _, ok := p.last(bandTopic); return ok })

	two := board(1, "two")
	two.Alarm(lethal, nil) // quiet there since long
	two.Alarm(band, []byte(`{"instance":"two"}`))
	eventually(t, "the alarm of two", p.lastIs(bandTopic, `{"instance":"two"}`))
	eventually(t, "two tidies up what it left", p.lastIs("dewline/attic/alarm/above-band/gone", ""))
	two.Alarm(band, nil)
	eventually(t, "one's alarm is there again", p.lastIs(bandTopic, `{"instance":"one"}`))
	late := newPhone(t, b.URL(), "", "dewline/attic/alarm/#")
	eventually(t, "lethal heat of one", late.lastIs(lethalTopic, `{"instance":"one"}`))
	eventually(t, "retained", late.lastIs(bandTopic, `{"instance":"one"}`))

	one.Alarm(band, []byte(`{"instance":"one","state":"UNACK"}`))
	two.Alarm(band, []byte(`{"instance":"two","state":"LUNACK"}`))
	eventually(t, "the word of two", func() bool {
		return slices.ContainsFunc(p.all(), func(m paho.Message) bool {
			return m.Topic() == bandTopic && strings.Contains(string(m.Payload()), "LUNACK")
		})
	})
	eventually(t, "one's graver alarm is there again", p.lastIs(bandTopic, `{"instance":"one","state":"UNACK"}`))

	for topic, junk := range map[string]string{"heartbeat": "no JSON", "status/board": "noinstance"} {
		p.client.Publish("dewline/attic/"+topic, 1, false, junk).Wait()
	}
	p.client.Publish("dewline/attic/heartbeat", 1, false, `{"instance":"`+strings.Repeat("x", 100)+`"}`).Wait()
	for range 2 {
		one.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "one"})
		two.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "two"})
	}
	for name, other := range map[string]string{"one": "two", "two": "one"} {
		eventually(t, name+" hears of a board", func() bool { return len(heard[name]) > 0 })
		for len(heard[name]) > 0 {
			if got := <-heard[name]; got != other {
				t.Errorf("%s hears of %q", name, got)
			}
		}
	}
	for i := range losses {
		if n := losses[i].Load(); n > 0 {
			t.Errorf("board %d lost its connection %d times", i, n)
		}
	}
	one.Alarm(lethal, nil)
	eventually(t, "one's own end", p.lastIs(lethalTopic, ""))
}

// Two boards that were started from copies of one card, alike in all that a program can
// see, cut each other off only until one of them goes by a name of its own; both tell of
// the other, and a restart or a new connection is no other board.
func TestClient_CopiedCard(t *testing.T) {
	t.Parallel()
	b := mosquitto.New(t)
	b.Start()
	heard := make(chan string, 64)
	board := func(url string) (*Client, func()) {
		return client(t, Options{Broker: url, Instance: "one", OnOther: func(other string) {
			select {
			case heard <- other:
			default: // told often enough
			}
		}})
	}
	proxied := newProxy(t, b.Port())
	early, stop := board(proxied.url())
	eventually(t, "connected", early.connected)
	proxied.cut()
	eventually(t, "lost", func() bool { return !early.connected() })
	eventually(t, "connected again", early.connected)
	early.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "one"})
	stop()
	one, _ := board(b.URL())
	eventually(t, "started again", one.connected)
	one.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "one"})
	if len(heard) > 0 || one.opt.ClientID != early.opt.ClientID {
		t.Errorf("a board hears of itself %d times, and goes by %s", len(heard), one.opt.ClientID)
	}
	two, _ := board(b.URL())
	eventually(t, "both connected and told", func() bool {
		one.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "one"})
		two.Heartbeat(alert.Heartbeat{Room: "attic", Instance: "one"})
		return one.connected() && two.connected() && len(heard) > 8
	})
	for len(heard) > 0 {
		if got := <-heard; got != alarm.CopiedBoard {
			t.Errorf("told of %q", got)
		}
	}
}
