package alert

import (
	"encoding/json"
	"time"

	"dewline/rules"
	"dewline/sensors"
)

// A Doc is one piece of the Desk's state to keep on disk under its key.
type Doc struct {
	Key  string
	Data json.RawMessage
}

// An Event is one line for the journal: what became of a notice.
type Event struct {
	At      sensors.Instant `json:"at"`
	Notice  string          `json:"notice"`
	What    string          `json:"what"` // "raised", "sent", "handed-over", "failed", "acknowledged", "escalated", "ended", "merged", "dropped", "repeats-over"
	Person  string          `json:"person,omitempty"`
	Channel string          `json:"channel,omitempty"`
	Why     string          `json:"why,omitempty"`
}

// Effects are what a call of the Desk asks for. Put and Drop are to be
// committed together; Send may go out before that commit ends, and goes out
// even if it fails.
type Effects struct {
	Put    []Doc
	Drop   []string
	Send   []Delivery
	Events []Event
}

// A Desk turns transitions into notices and deliveries. It is not safe for
// concurrent use.
type Desk struct {
	opt Options
}

// NewDesk returns a Desk with nothing open.
func NewDesk(o Options) *Desk { return &Desk{opt: o.withDefaults()} }

// Transitions takes in what the rules found. A lethal ceiling is in the
// returned Send at once, anything else after the grouping time.
func (d *Desk) Transitions(now sensors.Instant, ts []rules.Transition) Effects { return Effects{} }

// Tick lets time pass: groups close, repeats and retries fall due, quiet hours
// end, notices escalate. Call it at least every few seconds.
func (d *Desk) Tick(now sensors.Instant) Effects { return Effects{} }

// Result takes in what became of a delivery handed out by Send.
func (d *Desk) Result(now sensors.Instant, r SendResult) Effects { return Effects{} }

// Acknowledge stops the repeats and the escalation of a notice. It returns the
// alarms under it, for which the caller acknowledges with the rules as well;
// none for a drill. An acknowledgement of single alarms arrives by Transitions.
func (d *Desk) Acknowledge(now sensors.Instant, noticeID, by string) ([]rules.Key, Effects, error) {
	return nil, Effects{}, ErrUnknownNotice
}

// NewDrill sends a test notice to a person ("" for the first) through every
// channel of theirs, and measures. It returns the notice's id.
func (d *Desk) NewDrill(now sensors.Instant, person string) (string, Effects, error) {
	return "", Effects{}, ErrUnknownPerson
}

// ChannelState tells the Desk that a channel lost or regained its connection.
// On its return, what waited for a retry is sent at once.
func (d *Desk) ChannelState(now sensors.Instant, channel string, up bool) Effects { return Effects{} }

// Reconfigure takes over new people, names and times; what is open stays open.
func (d *Desk) Reconfigure(now sensors.Instant, o Options) Effects { return Effects{} }

// Restore takes in the documents of an earlier run, whatever their order, into
// an empty Desk. What had been handed out without a result is sent again. A
// document that cannot be read is reported in the error, which joins one for
// each, and the rest is used.
func (d *Desk) Restore(now sensors.Instant, docs []Doc) (Effects, error) { return Effects{}, nil }

// Docs returns the whole state as documents, for a caller whose store was
// replaced.
func (d *Desk) Docs() []Doc { return nil }

// Open returns the notices that have not ended, worst first.
func (d *Desk) Open() []NoticeView { return nil }

// A NoticeView is a snapshot of one open notice for pages and APIs.
type NoticeView struct {
	Notice       Notice        `json:"notice"`
	Message      Message       `json:"message"` // in the first person's units
	Acknowledged bool          `json:"acknowledged"`
	Told         []string      `json:"told"` // people, in order
	NextRepeat   time.Duration `json:"next_repeat,omitempty"`
}

// ChannelStats says how one channel does.
type ChannelStats struct {
	Pending     int             `json:"pending"`
	OldestAge   time.Duration   `json:"oldest_age"` // of what is due and not taken over
	LastSuccess sensors.Instant `json:"last_success,omitzero"`
	LastError   string          `json:"last_error,omitempty"`
	Failing     time.Duration   `json:"failing,omitempty"` // how long nothing has worked, 0 when well
	Sent        uint64          `json:"sent"`
	Failed      uint64          `json:"failed"`
}

// Stats says how delivery does.
type Stats struct {
	Depth     int                     `json:"depth"` // deliveries not taken over yet, held ones included
	OldestAge time.Duration           `json:"oldest_age"`
	OpenWake  int                     `json:"open_wake"` // unacknowledged
	Open      int                     `json:"open"`
	Dropped   uint64                  `json:"dropped"`
	Channels  map[string]ChannelStats `json:"channels"`
}

// Stats returns the figures at now.
func (d *Desk) Stats(now sensors.Instant) Stats { return Stats{} }

// StalledChannels returns the channels that have taken nothing over for
// Options.StallAfter although something was due, or that have been down so
// long, sorted.
func (d *Desk) StalledChannels(now sensors.Instant) []string { return nil }

// A DrillResult is what a drill measured.
type DrillResult struct {
	ID      string             `json:"id"`
	Person  string             `json:"person"`
	At      sensors.Instant    `json:"at"`
	Taken   map[string]float64 `json:"taken"` // seconds until each channel took it over
	Acked   bool               `json:"acked"`
	AckedIn float64            `json:"acked_in"` // seconds
	AckedBy string             `json:"acked_by,omitempty"`
	Done    bool               `json:"done"`
}

// LastDrill returns the drill begun last, finished or not.
func (d *Desk) LastDrill() (DrillResult, bool) { return DrillResult{}, false }
