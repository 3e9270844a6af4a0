package table

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/i2c"
)

// Wiring is the probes of a configuration, opened and sorted by the bus that
// they share.
type Wiring struct {
	log      *slog.Logger
	openFile func(path string) i2c.BusCloser
	files    []i2c.BusCloser
	trees    map[string]*i2c.Tree
	buses    []sensors.Bus // in the order of the configuration
}

// Wire opens the probes of a configuration for which want returns true, nil for
// all, with what each went through before. A bus or a probe that is not there, or
// that cannot be used, is no error: its samples say what is wrong.
func Wire(cfg *configs.Config, ageing map[sensors.ProbeID]sensors.Ageing, want func(sensors.Family) bool, log *slog.Logger) *Wiring {
	w := newWiring(log)
	w.wire(cfg, ageing, want)
	return w
}

func newWiring(log *slog.Logger) *Wiring {
	w := &Wiring{log: log, trees: map[string]*i2c.Tree{}}
	w.openFile = func(path string) i2c.BusCloser { return i2c.New(path, w.recovered(path)) }
	return w
}

func (w *Wiring) wire(cfg *configs.Config, ageing map[sensors.ProbeID]sensors.Ageing, want func(sensors.Family) bool) {
	muxes := map[string][]uint16{}
	for _, p := range cfg.Probes {
		if p.Bus != "" && p.MuxAddress != 0 {
			muxes[p.Bus] = append(muxes[p.Bus], uint16(p.MuxAddress))
		}
	}
	for _, p := range cfg.Probes {
		if p.Bus != "" && w.trees[p.Bus] == nil {
			file := w.openFile(p.Bus)
			w.files = append(w.files, file)
			w.trees[p.Bus] = i2c.NewTree(file, muxes[p.Bus]...)
		}
	}
	for _, p := range cfg.Probes {
		if f, known := Of(p.Family); want == nil || !known || want(f) {
			w.add(f, p, ageing[sensors.ProbeID(p.ID)], cfg.Rules.FrozenAfter)
		}
	}
}

func (w *Wiring) add(f sensors.Family, p configs.Probe, age sensors.Ageing, frozen configs.Duration) {
	s, bus, err := w.open(f, p)
	if err != nil {
		w.log.Error("a probe cannot be used; the others are watched", "probe", p.ID, "err", err)
		s, bus = unusable{err}, "unusable"
	}
	at := slices.IndexFunc(w.buses, func(b sensors.Bus) bool { return b.Name == bus })
	if at < 0 {
		at, w.buses = len(w.buses), append(w.buses, sensors.Bus{Name: bus})
	}
	w.buses[at].Probes = append(w.buses[at].Probes, sensors.BusProbe{
		ID: sensors.ProbeID(p.ID), Limits: f.Limits, Sampler: s, Budget: p.Budget.D(), FrozenAfter: frozen.D(), Ageing: age,
	})
}

// open returns a probe's sampler and the name of the bus it shares.
func (w *Wiring) open(f sensors.Family, p configs.Probe) (sensors.Sampler, string, error) {
	wire, bus := p.Bus, i2c.Bus(nil)
	if f.Open == nil {
		return nil, "", fmt.Errorf("nothing reads the family %q", p.Family)
	}
	if len(f.Addresses) > 0 {
		if w.trees[p.Bus] == nil {
			return nil, "", fmt.Errorf("probe %s: a %s needs a bus", p.ID, f.Name)
		}
		if !slices.Contains(f.Addresses, p.Address) {
			return nil, "", fmt.Errorf("probe %s: a %s has one of the addresses %#x, not %#x", p.ID, f.Name, f.Addresses, p.Address)
		}
		var err error
		if bus, err = w.trees[p.Bus].Branch(uint16(p.MuxAddress), p.MuxChannel); err != nil {
			return nil, "", err
		}
	}
	if f.Wire != nil {
		wire = f.Wire(p)
	}
	s, err := f.Open(p, bus)
	return s, wire, err
}

// Buses returns the probes by the bus that they share, in the order of the
// configuration.
func (w *Wiring) Buses() []sensors.Bus { return w.buses }

// Close gives the buses' device files up. It does not wait for a transfer that
// hangs.
func (w *Wiring) Close() error {
	var errs []error
	for _, f := range w.files {
		if err := f.Close(); err != nil {
			errs = append(errs, fmt.Errorf("close I2C bus %s: %w", f, err))
		}
	}
	return errors.Join(errs...)
}

// recovered tells of a bus that was opened again, or could not be.
func (w *Wiring) recovered(path string) func(cause, outcome error) {
	return func(cause, outcome error) {
		if outcome != nil {
			w.log.Error("a bus has gone; it is tried again with every reading", "bus", path, "cause", cause, "err", outcome,
				"do", "look at its adapter, and at the board's configuration")
			return
		}
		w.log.Warn("a bus was opened again", "bus", path, "cause", cause, "do", "if this comes again, look for a pinched cable or a wet plug")
	}
}

// An unusable probe is one whose driver refuses its configuration.
type unusable struct{ err error }

// Sample says why.
func (u unusable) Sample(context.Context) (sensors.Sample, error) {
	return sensors.Sample{}, sensors.Fault(sensors.BusError, u.err)
}
