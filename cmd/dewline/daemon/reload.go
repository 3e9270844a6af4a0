package daemon

import (
	"fmt"
	"log/slog"
	"maps"
	"net"
	"reflect"
	"slices"
	"strings"
	"time"

	"dewline/cmd/dewline/core"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// A freezer can be told anew how long one and the same value is believed.
type freezer interface {
	FreezeAfter(d time.Duration)
}

// reload reads the configuration again and puts it in force if it has no
// fault. It reports whether the probes changed, so that a new source is needed.
func (d *Daemon) reload() bool {
	if d.o.ConfigPath == "" {
		d.log.Warn("there is no configuration file to reload")
		return false
	}
	old := d.cfg.Load()
	next, err := d.acceptable(old)
	if err != nil {
		d.log.Error("the new configuration is refused; the old one stays in force", "file", d.o.ConfigPath, "why", err)
		d.refuse(err.Error())
		return false
	}
	d.cfg.Store(next)
	d.front.serve() // where it was moved
	if st := d.record.Store(); st != nil {
		st.SetLimits(core.LimitsOf(next))
		st.SetKeep(core.KeepOf(next))
	}
	if src, ok := d.probes.current().(freezer); ok {
		src.FreezeAfter(next.Rules.FrozenAfter.D())
	}
	KeepLastGood(next, d.o.ConfigPath, d.o.Dir, d.log)
	loaded := time.Now()
	d.refuse("")
	brokerChanged := !reflect.DeepEqual(old.MQTT, next.MQTT)
	ways := d.loop.channels.of(next)
	d.loop.inbox <- func(now sensors.Instant) {
		d.loop.takeWays(ways, !brokerChanged)
		d.loop.apply(d.loop.core.Reconfigure(now, next, d.site.AnswerLink))
		d.loop.apply(d.loop.core.Retry(now, ways.anew()))
		if old.Sounder != next.Sounder {
			d.loop.useSounder()
		}
		d.loop.showLeftOut(now)
		var docs []store.Doc
		if text := d.record.settingsInForce(); text != nil {
			docs = append(docs, store.Doc{Bucket: store.BucketConfig, Key: settingsKey, Value: text})
		}
		d.record.rec.Put(docs, append([]event.Event{core.ConfigurationEvent(now, d.o.ConfigPath, "")}, core.SettingEvents(now, old, next)...))
		d.loadedAt.Store(&loaded)
	}
	d.log.Info("the new configuration is in force", "file", d.o.ConfigPath)
	return !reflect.DeepEqual(old.Probes, next.Probes) || old.Room.Poll != next.Room.Poll || !reflect.DeepEqual(old.Contacts, next.Contacts) ||
		brokerChanged && (slices.ContainsFunc(next.Probes, sends) || slices.ContainsFunc(next.Contacts, func(c configs.Contact) bool { return c.Topic != "" }))
}

// acceptable reads the configuration and opens the page's address that it names;
// the error says why it cannot be put in force.
func (d *Daemon) acceptable(old *configs.Config) (*configs.Config, error) {
	next, err := table.Load(d.o.ConfigPath)
	if err == nil {
		err = Watchable(next)
	}
	if err == nil {
		err = atStartOnly(old, next)
	}
	if err == nil && old.HTTP != next.HTTP {
		err = d.front.move(old.HTTP.Listen, next.HTTP.Listen)
	}
	return next, err
}

// refuse notes that the file was refused, or that it no longer is.
func (d *Daemon) refuse(why string) {
	was := *d.refused.Swap(&why)
	if was == why {
		return
	}
	d.loop.inbox <- func(now sensors.Instant) {
		d.loop.apply(d.loop.core.ConfigRefused(now, why))
		if why != "" {
			d.record.rec.Put(nil, []event.Event{core.ConfigurationEvent(now, d.o.ConfigPath, why)})
		}
	}
}

// of builds the channels of a configuration like these; nil where they were given.
func (c *channels) of(cfg *configs.Config) *channels {
	if c.swap == nil {
		return nil
	}
	return buildChannels(cfg, cfg.Room.ID, c.log, c.hooks)
}

// anew leaves out the broker, whose channel says itself when it is connected.
func (c *channels) anew() []string {
	if c == nil {
		return nil
	}
	return slices.DeleteFunc(slices.Sorted(maps.Keys(c.byName)), func(name string) bool { return name == "mqtt" })
}

// atStartOnly returns what of a configuration cannot change while dewline runs.
// Nothing of it is put in force then: half of a change is nobody's configuration.
func atStartOnly(a, b *configs.Config) error {
	var out []string
	if a.Room.ID != b.Room.ID {
		out = append(out, "room.id")
	}
	if a.Store.Dir != b.Store.Dir {
		out = append(out, "store.dir")
	}
	if len(out) == 0 {
		return nil
	}
	return fmt.Errorf("%s cannot change while dewline runs: %s", strings.Join(out, ", "), core.RestartHint)
}

// A front is where the page is served. Only the goroutine of Run touches it.
type front struct {
	log   *slog.Logger
	start func(net.Listener) (end func()) // serves the page as the configuration in force has it
	ln    net.Listener                    // that is open; nil for none
	end   func()                          // ends the server; nil for none
}

// open opens an address; none for an empty one.
func (f *front) open(addr string) error {
	if f.ln != nil || addr == "" {
		return nil
	}
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("http.listen: the page cannot be served: %w; free the port or name another", err)
	}
	f.ln = ln
	return nil
}

func (f *front) serve() {
	if f.ln != nil && f.end == nil {
		f.end = f.start(f.ln)
	}
}

// move opens another address, or the old one again where that cannot be opened.
func (f *front) move(was, to string) error {
	f.close()
	err := f.open(to)
	if err != nil {
		if again := f.open(was); again != nil {
			f.log.Error("nobody can open the page; watching and warning go on", "err", again)
		}
		f.serve()
	}
	return err
}

func (f *front) close() {
	if f.end != nil {
		f.end()
	}
	f.ln, f.end = nil, nil
}
