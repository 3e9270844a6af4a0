package daemon

import (
	"bytes"
	"cmp"
	"compress/flate"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"time"

	"dewline/alert"
	"dewline/configs"
	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/store"
)

// A Core is every decision of the daemon in one single-threaded value:
// readings, actions, the results of sending and the passing of time go in,
// effects come out. It does no I/O and reads no clock, so the same inputs give
// the same effects.
type Core struct {
	engine *rules.Engine
	desk   *alert.Desk
	// blindEnds is when the blind-period alarm of a restart is let go.
	blindEnds time.Duration
	refreshAt time.Duration // when open notices next learn of drift
	stalled   map[string]stall
	self      selfWatch
}

// A stall is a channel whose delivery-stalled alarm is raised.
type stall struct {
	// restored says that an earlier run raised it and that this one has not
	// seen the channel work yet.
	restored bool
}

// Effects are what one input asks of the world. Docs and Journal belong to one
// transaction; Send goes out whether or not that succeeds.
type Effects struct {
	Transitions []rules.Transition
	Docs        []store.Doc
	Journal     []store.JournalEntry
	Send        []alert.Delivery
}

// empty reports whether nothing is to be done.
func (e *Effects) empty() bool {
	return len(e.Transitions) == 0 && len(e.Docs) == 0 && len(e.Journal) == 0 && len(e.Send) == 0
}

// NewCore returns a Core that has seen nothing yet. ackLink makes the link
// that a notice carries for answering; nil for none.
func NewCore(cfg *configs.Config, ackLink func(noticeID string, version int) string) *Core {
	o := alert.OptionsFor(cfg)
	o.AckLink = ackLink
	return &Core{
		engine: rules.New(cfg), desk: alert.NewDesk(o), stalled: map[string]stall{},
		self: selfWatch{drillEvery: cfg.Drill.Every.D()},
	}
}

// Reading takes one reading.
func (c *Core) Reading(r sensors.Reading) Effects {
	ts := c.engine.Step(r)
	if len(ts) == 0 {
		return Effects{}
	}
	return c.after(r.At, ts)
}

// Tick lets time pass. Call it at least once a poll.
func (c *Core) Tick(now sensors.Instant) Effects {
	e := c.after(now, c.engine.Tick(now))
	if c.blindEnds != 0 && now.Mono >= c.blindEnds {
		c.blindEnds = 0
		e.add(c.Set(now, rules.Condition{Key: rules.Key{Alarm: rules.BlindPeriod, Subject: rules.Self}}))
	}
	e.add(c.tellBlind(now))
	e.add(c.watchDelivery(now))
	e.add(c.watchSelf(now))
	if now.Mono >= c.refreshAt {
		c.refreshAt = now.Mono + refreshEvery
		if open := c.engine.Open(); len(open) > 0 {
			e.add(c.desked(c.desk.Refresh(now, open, c.engine.Enclosures())))
		}
	}
	e.add(c.desked(c.desk.Tick(now)))
	return e
}

// refreshEvery is how often open notices learn of values that drift.
const refreshEvery = time.Minute

// watchDelivery raises delivery-stalled while a channel takes nothing over.
// Its notice leaves through the other channels.
func (c *Core) watchDelivery(now sensors.Instant) Effects {
	var e Effects
	seen := map[string]bool{}
	for _, name := range c.desk.StalledChannels(now) {
		seen[name] = true
		if _, raised := c.stalled[name]; raised {
			continue
		}
		c.stalled[name] = stall{}
		e.add(c.Set(now, rules.Condition{
			Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: name}, Active: true, Priority: rules.Today,
			Text:     fmt.Sprintf("Notices cannot be delivered by %s.", name),
			Evidence: whyStalled(c.desk.Stats(now).Channels[name]),
		}))
	}
	for _, name := range slices.Sorted(maps.Keys(c.stalled)) {
		if !seen[name] && !c.stalled[name].restored {
			delete(c.stalled, name)
			e.add(c.Set(now, rules.Condition{Key: rules.Key{Alarm: rules.DeliveryStalled, Subject: name}}))
		}
	}
	return e
}

// whyStalled is the last that was heard of a channel, if anything.
func whyStalled(s alert.ChannelStats) []string {
	if why := cmp.Or(s.DownWhy, s.LastError); why != "" {
		return []string{why}
	}
	return nil
}

// works notes that a channel was seen to work in this run.
func (c *Core) works(name string) {
	if _, raised := c.stalled[name]; raised {
		c.stalled[name] = stall{}
	}
}

// Set raises or ends an alarm about dewline itself.
func (c *Core) Set(now sensors.Instant, cond rules.Condition) Effects {
	return c.after(now, c.engine.Set(now, cond))
}

// Act carries out a person's decision about alarms, or refuses it.
func (c *Core) Act(now sensors.Instant, a rules.Action) (Effects, error) {
	ts, err := c.engine.Act(now, a)
	entry := actionEntry(now, a, ts)
	if err != nil {
		entry.Kind, entry.New = "refused", string(a.Kind)+": "+err.Error()
		return Effects{Journal: []store.JournalEntry{entry}}, err
	}
	e := Effects{Journal: []store.JournalEntry{entry}}
	e.add(c.after(now, ts))
	return e, nil
}

// AcknowledgeNotice acknowledges a version of a notice, 0 for what was handed
// over so far, and every alarm that it told of.
func (c *Core) AcknowledgeNotice(now sensors.Instant, id string, version int, by, why string) (Effects, error) {
	keys, fx, err := c.desk.Acknowledge(now, id, version, by)
	e := c.desked(fx)
	if err != nil {
		e.Journal = append(e.Journal, store.JournalEntry{
			At: now, Kind: "refused", Who: by, Subject: id, New: "acknowledge: " + err.Error(),
		})
		return e, fmt.Errorf("acknowledge notice %s: %w", id, err)
	}
	for _, k := range keys {
		one, err := c.Act(now, rules.Action{Kind: rules.Acknowledge, Key: k, By: by, Why: why})
		// An alarm that went back to normal meanwhile has nothing to acknowledge.
		if err != nil && !errors.Is(err, rules.ErrNotNow) && !errors.Is(err, rules.ErrNoAlarm) {
			return e, err
		}
		if err == nil {
			e.add(one)
		}
	}
	return e, nil
}

// Result takes in what became of a delivery.
func (c *Core) Result(now sensors.Instant, r alert.SendResult) Effects {
	if r.Err == nil {
		c.works(r.Delivery[strings.LastIndexByte(r.Delivery, '|')+1:])
	}
	return c.desked(c.desk.Result(now, r))
}

// ChannelState takes in that a channel lost or regained its connection.
func (c *Core) ChannelState(now sensors.Instant, name string, up bool) Effects {
	if up {
		c.works(name)
	}
	return c.desked(c.desk.ChannelState(now, name, up))
}

// ChannelDown takes in that a channel has no connection, and why.
func (c *Core) ChannelDown(now sensors.Instant, name, why string) Effects {
	return c.desked(c.desk.ChannelDown(now, name, why))
}

// Drill sends a test notice to a person, "" for the first, and returns its id.
func (c *Core) Drill(now sensors.Instant, person, by string) (string, Effects, error) {
	id, fx, err := c.desk.NewDrill(now, person)
	if err != nil {
		return "", Effects{}, fmt.Errorf("drill: %w", err)
	}
	e := c.desked(fx)
	e.Journal = append(e.Journal, store.JournalEntry{At: now, Kind: "drill", Who: by, Subject: person, New: id})
	return id, e, nil
}

// Calibrated tells the rules when probes were last calibrated.
func (c *Core) Calibrated(now sensors.Instant, cals []rules.Calibration) Effects {
	var e Effects
	for _, cal := range cals {
		e.add(c.after(now, c.engine.SetCalibration(now, cal)))
	}
	return e
}

// Reconfigure changes to another complete configuration. Everything that is
// still there keeps its state and timers.
func (c *Core) Reconfigure(now sensors.Instant, cfg *configs.Config, ackLink func(string, int) string) Effects {
	o := alert.OptionsFor(cfg)
	o.AckLink = ackLink
	c.self.drillEvery = cfg.Drill.Every.D()
	for name := range c.stalled { // one that is gone cannot be seen to work
		c.stalled[name] = stall{}
	}
	e := c.desked(c.desk.Reconfigure(now, o))
	e.add(c.after(now, c.engine.Reconfigure(cfg, now)))
	return e
}

// Saved is what an earlier run left in the store.
type Saved struct {
	State  []byte
	Alarms []store.Doc
	Outbox []store.Doc
	Drills []store.Doc
	// LastSet is the newest moment with a set clock on record; zero for none.
	LastSet sensors.Instant
}

// state is the rules' state with the newest set clock that is known, which may
// be all of it.
func (s *Saved) state() (*rules.State, error) {
	state, err := decodeState(s.State)
	if s.LastSet.IsZero() {
		return state, err
	}
	if state == nil {
		state = &rules.State{Version: rules.StateVersion}
	}
	if s.LastSet.Mono > state.Off.Set.Mono {
		state.Off.Set = s.LastSet
		state.Off.Open = state.Off.Open && s.LastSet.Mono <= state.Off.At // or it was told since
	}
	return state, err
}

// decode reads back what the parts of the core left. What cannot be read is named.
func (s *Saved) decode() (state *rules.State, records []rules.Record, docs []alert.Doc, errs []error) {
	state, err := s.state()
	if err != nil {
		errs = append(errs, err)
	}
	for _, d := range s.Alarms {
		var r rules.Record
		if err := json.Unmarshal(d.Value, &r); err != nil {
			errs = append(errs, fmt.Errorf("read back alarm %s: %w", d.Key, err))
			continue
		}
		records = append(records, r)
	}
	docs = make([]alert.Doc, 0, len(s.Outbox))
	for _, d := range s.Outbox {
		docs = append(docs, alert.Doc{Key: d.Key, Data: d.Value})
	}
	return state, records, docs, errs
}

// Restore goes on from an earlier run. What cannot be read is named in the
// error and the rest is used.
func (c *Core) Restore(now sensors.Instant, s Saved) (Effects, error) {
	state, records, docs, errs := s.decode()
	fx, err := c.desk.Restore(now, docs)
	if err != nil {
		errs = append(errs, fmt.Errorf("read back notices: %w", err))
	}
	if err := c.resumeDrills(s.Drills); err != nil {
		errs = append(errs, err)
	}
	e := c.desked(fx)
	e.add(c.after(now, c.engine.Restore(state, records, now)))
	// Where one side could not be read back whole, the other makes up for it.
	e.add(c.desked(c.desk.Reconcile(now, c.engine.Open())))
	c.resumeSelf(now)
	e.add(c.tellBlind(now))
	return e, errors.Join(errs...)
}

// resumeSelf goes on with the alarms about dewline itself that an earlier run
// raised, so that each ends when its reason does.
func (c *Core) resumeSelf(now sensors.Instant) {
	for _, v := range c.engine.Open() {
		if !v.Active {
			continue
		}
		switch v.Key.Alarm {
		case rules.DeliveryStalled:
			if _, known := c.stalled[v.Key.Subject]; !known {
				c.stalled[v.Key.Subject] = stall{restored: true}
			}
		case rules.BlindPeriod:
			c.blindEnds = max(c.blindEnds, now.Mono+blindShown)
		case rules.ClockUnset:
			c.self.unset, c.self.counting, c.self.unsetSince = true, true, now.Mono-unsetAfter
		case rules.DrillOverdue:
			c.self.overdue = true
		}
	}
}

// LeftOut says what parts do not work for want of a secret; none ends that.
func (c *Core) LeftOut(now sensors.Instant, what []string) Effects {
	return c.Set(now, rules.Condition{
		Key: rules.Key{Alarm: rules.ConfigRefused, Subject: "secrets"}, Active: len(what) > 0, Priority: rules.Today,
		Text:        strings.Join(what, " "),
		FirstAction: "Put the secret into its file, readable by root only, and restart dewline.",
	})
}

// firstLines returns at most n lines of s.
func firstLines(s string, n int) []string {
	lines := strings.Split(strings.TrimSpace(s), "\n")
	if len(lines) > n {
		lines = append(lines[:n:n], fmt.Sprintf("and %d more", len(lines)-n))
	}
	return lines
}

// All returns every document and the state, for a store that starts empty.
func (c *Core) All() (Effects, error) {
	var e Effects
	for _, r := range c.engine.Records() {
		d, err := alarmDoc(r)
		if err != nil {
			return e, err
		}
		e.Docs = append(e.Docs, d)
	}
	for _, d := range c.desk.Docs() {
		e.Docs = append(e.Docs, store.Doc{Bucket: store.BucketOutbox, Key: d.Key, Value: d.Data})
	}
	return e, nil
}

// State encodes what has to be kept beside the alarm records, compressed: it
// is large and much of it is alike.
func (c *Core) State() ([]byte, error) {
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.BestSpeed)
	if err != nil {
		return nil, fmt.Errorf("compress the rules' state: %w", err)
	}
	if err := errors.Join(json.NewEncoder(w).Encode(c.engine.State()), w.Close()); err != nil {
		return nil, fmt.Errorf("encode the rules' state: %w", err)
	}
	return b.Bytes(), nil
}

// decodeState reads what State wrote; nil for nothing.
func decodeState(b []byte) (*rules.State, error) {
	if len(b) == 0 {
		return nil, nil
	}
	r := flate.NewReader(bytes.NewReader(b))
	defer r.Close()
	s := new(rules.State)
	if err := json.NewDecoder(io.LimitReader(r, maxState)).Decode(s); err != nil {
		return nil, fmt.Errorf("read back the rules' state: %w", err)
	}
	return s, nil
}

// maxState bounds what a damaged state may unpack to.
const maxState = 64 << 20

// Timing returns the records of alarms whose on-delay or off-delay is running,
// so that a crash loses none of the time that was already observed.
func (c *Core) Timing() []store.Doc {
	var docs []store.Doc
	for _, r := range c.engine.Records() {
		if r.Life.OnFor == 0 && r.Life.OffFor == 0 {
			continue
		}
		if d, err := alarmDoc(r); err == nil {
			docs = append(docs, d)
		}
	}
	return docs
}

// Hot reports whether an alarm that wakes people is active: then the heat dose
// and its like are worth keeping often.
func (c *Core) Hot() bool {
	for _, v := range c.engine.Open() {
		if v.Active && v.Priority == rules.Wake {
			return true
		}
	}
	return false
}

// after runs what the rules found through the desk and collects the documents
// that changed.
func (c *Core) after(now sensors.Instant, ts []rules.Transition) Effects {
	if len(ts) == 0 {
		return Effects{}
	}
	var e Effects
	// The engine reuses its slice at the next call.
	e.Transitions = append(e.Transitions, ts...)
	for _, t := range ts {
		r, ok := c.engine.Record(t.Key)
		if !ok {
			continue
		}
		if d, err := alarmDoc(r); err == nil {
			e.Docs = append(e.Docs, d)
		}
		if t.From != t.To {
			e.Journal = append(e.Journal, transitionEntry(t))
		}
	}
	e.add(c.desked(c.desk.Transitions(now, e.Transitions)))
	return e
}

func transitionEntry(t rules.Transition) store.JournalEntry {
	return store.JournalEntry{
		At: t.At, Kind: "alarm", Who: t.By, Subject: rules.OnsetID(t.Key, t.Seq),
		Old: t.From.String(), New: t.To.String(), Why: t.Why, Priority: t.Priority.String(),
	}
}

// alarmDoc is the stored form of an alarm record.
func alarmDoc(r rules.Record) (store.Doc, error) {
	b, err := json.Marshal(r)
	if err != nil {
		return store.Doc{}, fmt.Errorf("encode alarm %s of %s: %w", r.Key.Alarm, r.Key.Subject, err)
	}
	return store.Doc{Bucket: store.BucketAlarms, Key: alarmKey(r.Key), Value: b}, nil
}

func alarmKey(k rules.Key) string { return string(k.Alarm) + "/" + k.Subject }

// desked turns the desk's effects into the core's.
func (c *Core) desked(fx alert.Effects) Effects {
	var e Effects
	for _, d := range fx.Put {
		e.Docs = append(e.Docs, store.Doc{Bucket: store.BucketOutbox, Key: d.Key, Value: d.Data})
	}
	for _, key := range fx.Drop {
		e.Docs = append(e.Docs, store.Doc{Bucket: store.BucketOutbox, Key: key})
	}
	for _, ev := range fx.Events {
		e.Journal = append(e.Journal, store.JournalEntry{
			At: ev.At, Kind: "notice", Subject: ev.Notice, New: ev.What, Who: ev.Person, Old: ev.Channel, Why: ev.Why,
		})
		if ev.What == "drill-over" {
			e.add(c.drillOver(ev.At))
		}
	}
	e.Send = fx.Send
	return e
}

// add appends b's effects to e in order.
func (e *Effects) add(b Effects) {
	e.Transitions = append(e.Transitions, b.Transitions...)
	e.Docs = append(e.Docs, b.Docs...)
	e.Journal = append(e.Journal, b.Journal...)
	e.Send = append(e.Send, b.Send...)
}

// openAlarms returns the alarms that are not NORM.
func (c *Core) openAlarms() []rules.AlarmView { return c.engine.Open() }

// quiet returns the keys of alarms that were raised once and are NORM now.
func (c *Core) quiet() []rules.Key {
	var keys []rules.Key
	for _, r := range c.engine.Records() {
		if r.Life.State == alarm.Norm {
			keys = append(keys, r.Key)
		}
	}
	return keys
}

// fill copies what the rules and the desk know into a snapshot.
func (c *Core) fill(now sensors.Instant, s *alert.Snapshot) {
	s.At = now
	s.Enclosures = c.engine.Enclosures()
	s.Probes = c.engine.Probes()
	s.Alarms = c.engine.Open()
	s.KPI = c.engine.KPI()
	s.Notices = c.desk.Open()
	s.Delivery = c.desk.Stats(now)
	s.Stalled = c.desk.StalledChannels(now)
	if d, ok := c.desk.LastDrill(); ok {
		s.Drill = &d
	}
}
