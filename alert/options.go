package alert

import (
	"cmp"
	"slices"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// Options are what a Desk works by. Zero fields take the defaults named.
type Options struct {
	Room     string         // id, as in topics
	Location *time.Location // of quiet hours; UTC
	// People in the order of escalation; none means "keeper" on "mqtt". Channels are "mqtt",
	// "mail" or a webhook's id, preferred first.
	People []configs.Person
	// Connect names channels that keep a connection: they are watched also where
	// nobody is told by them.
	Connect []string
	// Names maps subjects (enclosures, probes) to what people call them.
	Names map[string]string
	// Shares lists what each probe hangs on together with others.
	Shares map[string][]Share
	// AckLink returns the link that acknowledges a version of a notice; nil for
	// none.
	AckLink func(noticeID string, version int) string

	Group      time.Duration // wait for company before the first sending; 20 s, never for a lethal limit
	RepeatFor  time.Duration // then an open wake notice is sent again only every rareRepeat; 72 h
	SendLimit  time.Duration // an attempt not reported on counts as failed; 5 min
	PerMinute  int           // messages to one person by one channel; beyond, what wakes nobody waits; 8
	MaxPending int           // deliveries kept; beyond, the oldest today ones go; 2000
}

const (
	updateEvery   = 15 * time.Minute   // least time between updates that are no worsening
	fallbackAfter = 15 * time.Minute   // a today notice not taken over goes to the next channel
	keepFor       = 7 * 24 * time.Hour // an undelivered today notice or follow-up is given up
	stallAfter    = 4 * time.Minute    // a channel that took nothing over for so long is stalled: others tell of it within 5
	rareRepeat    = 6 * time.Hour      // between repeats of what nobody answered for days
	drillFor      = time.Hour          // a drill not acknowledged is over
)

// interval is the wait before the next repeat of an open wake notice: 5, 10, 20 and
// then 30 minutes.
func interval(repeated int) time.Duration {
	return min(5*time.Minute<<min(repeated, 3), 30*time.Minute)
}

// OptionsFor returns the Options that a configuration asks for. The caller
// sets AckLink.
func OptionsFor(cfg *configs.Config) Options {
	o := Options{
		Room: cfg.Room.ID, Location: cfg.Room.Location,
		Names: make(map[string]string, len(cfg.Enclosures)), Shares: sharesOf(cfg),
	}
	if cfg.MQTT.Broker != "" {
		o.Connect = []string{"mqtt"}
	}
	if cfg.Sounder.InUse() {
		o.Connect = append(o.Connect, configs.ChannelSounder)
	}
	for _, e := range cfg.Enclosures {
		if e.Name != "" && e.Name != e.ID {
			o.Names[e.ID] = e.Name
		}
	}
	o.People = peopleOrKeeper(cfg.People, ways(cfg))
	return o
}

// A Share is what a probe hangs on beside its enclosure, the narrowest first.
type Share struct{ Kind, Name string }

// The kinds of a Share.
const (
	shareBus    = "bus"
	shareBroker = "broker"
	shareBoard  = "board"
)

// sharesOf lists for each probe what it shares with others.
func sharesOf(cfg *configs.Config) map[string][]Share {
	all := make(map[string][]Share, len(cfg.Probes))
	for _, p := range cfg.Probes {
		switch {
		case p.Topic != "":
			all[p.ID] = []Share{{shareBroker, cfg.MQTT.Broker}}
		case p.Bus != "":
			all[p.ID] = []Share{{shareBus, p.Bus}, {shareBoard, cfg.Room.ID}}
		default:
			all[p.ID] = []Share{{shareBoard, cfg.Room.ID}}
		}
	}
	return all
}

// InTurn returns o with a person before all others; unknown and empty leave the
// order as it is.
func (o Options) InTurn(first string) Options {
	i := slices.IndexFunc(o.People, func(p configs.Person) bool { return p.ID == first })
	if i > 0 {
		people := slices.Concat(o.People[i:i+1], o.People[:i], o.People[i+1:])
		o.People = people
	}
	return o
}

// ways are the channels of who names none: the broker, or else every webhook.
func ways(cfg *configs.Config) []string {
	if cfg.MQTT.Broker != "" {
		return []string{"mqtt"}
	}
	var all []string
	for _, w := range cfg.Webhooks {
		all = append(all, w.ID)
	}
	return all
}

func (o Options) withDefaults() Options {
	o.Group = cmp.Or(o.Group, 20*time.Second)
	o.RepeatFor = cmp.Or(o.RepeatFor, 72*time.Hour)
	o.SendLimit = cmp.Or(o.SendLimit, 5*time.Minute)
	o.PerMinute = cmp.Or(o.PerMinute, 8)
	o.MaxPending = cmp.Or(o.MaxPending, 2000)
	if o.Location == nil {
		o.Location = time.UTC
	}
	o.People = peopleOrKeeper(o.People, []string{"mqtt"})
	return o
}

// peopleOrKeeper copies people with their defaults, so that a room whose
// configuration names nobody still tells somebody. Ways are for who names none.
func peopleOrKeeper(people []configs.Person, ways []string) []configs.Person {
	if len(people) == 0 {
		people = []configs.Person{{ID: "keeper"}}
	}
	out := make([]configs.Person, len(people))
	for i, p := range people {
		if len(p.Channels) == 0 {
			p.Channels = ways
		}
		p.EscalateAfter = cmp.Or(p.EscalateAfter, configs.Duration(10*time.Minute))
		out[i] = p
	}
	return out
}

func (o *Options) person(id string) *configs.Person {
	if i := o.rankOf(id); i >= 0 {
		return &o.People[i]
	}
	return nil
}

// rankOf is a person's place in the order of escalation, -1 for nobody of it.
func (o *Options) rankOf(person string) int {
	return slices.IndexFunc(o.People, func(p configs.Person) bool { return p.ID == person })
}

// idOf is the id of the person who answers under a name, which may be the id.
func (o *Options) idOf(by string) string {
	for _, p := range o.People {
		if p.ID == by || p.Name != "" && p.Name == by {
			return p.ID
		}
	}
	return ""
}

// reaches reports whether p's person still has its channel.
func (o *Options) reaches(p *parcel) bool {
	person := o.person(p.Person)
	return person != nil && slices.Contains(person.Channels, p.Channel)
}

func (o *Options) targets(people int) (ts []target) {
	for i := range o.People[:people] {
		ts = append(ts, targetsOf(&o.People[i])...)
	}
	return ts
}

func targetsOf(p *configs.Person) (ts []target) {
	for _, c := range p.Channels {
		ts = append(ts, target{p.ID, c})
	}
	return ts
}

// channels names every channel that anybody is reached by or that is to be
// connected in any case, sorted.
func (o *Options) channels() []string {
	all := slices.Clone(o.Connect)
	for _, t := range o.targets(len(o.People)) {
		all = append(all, t.channel)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// An Event is one line for the journal: what became of a notice.
type Event struct {
	At      sensors.Instant `json:"at"`
	Notice  string          `json:"notice"`
	What    string          `json:"what"` // event.NoticeRaised and the like
	Person  string          `json:"person,omitempty"`
	Channel string          `json:"channel,omitempty"`
	Why     string          `json:"why,omitempty"`
	// Version is the one that was handed over, 0 for other events.
	Version int `json:"version,omitempty"`
}

// Effects are what a call of the Desk asks for. Docs are to be
// committed together; Send may go out before that commit ends, and goes out
// even if it fails.
type Effects struct {
	Docs   []store.Doc // of one key the last counts
	Send   []Delivery
	Events []Event
}

// A call is what all parts of a Desk share: what they work by, the moment of the
// call in progress, and what it asks for so far.
type call struct {
	opt Options
	now sensors.Instant
	eff Effects
}

func (c *call) log(e Event) {
	e.At = c.now
	c.eff.Events = append(c.eff.Events, e)
}
