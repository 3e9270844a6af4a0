package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"dewline/sensors"
	"dewline/store"
)

// dewlinePeer is dewline's own record, flushed once a batch and tidied once an hour, as the
// daemon does.
type dewlinePeer struct {
	s    *store.Store
	ids  []sensors.ProbeID
	hour int64
}

func openDewline(dir string) (peer, error) {
	s, rep, err := store.Open(context.Background(), store.Options{Dir: dir})
	if err == nil {
		err = rep.Damage
	}
	return &dewlinePeer{s: s}, err
}

func (d *dewlinePeer) id(probe int) sensors.ProbeID {
	for len(d.ids) <= probe {
		d.ids = append(d.ids, sensors.ProbeID(fmt.Sprintf("rack%d-shelf%d-litter%d", len(d.ids)/24, len(d.ids)/6%4, len(d.ids)%6)))
	}
	return d.ids[probe]
}

func (d *dewlinePeer) append(batch []point) error {
	for _, x := range batch {
		raw := sensors.Sample{Has: sensors.HasTemperature | sensors.HasHumidity,
			Temperature: sensors.CentiCelsius(x.temp), Humidity: sensors.CentiPercent(x.hu)}
		d.s.Append(sensors.Reading{
			Probe: d.id(x.probe), Has: raw.Has, Raw: raw, Temperature: raw.Temperature, Humidity: raw.Humidity,
			Quality: sensors.Good,
			At:      sensors.Instant{Mono: time.Duration(x.at-begin) * time.Millisecond, Wall: time.UnixMilli(x.at).UTC(), Synced: true},
		})
	}
	if err := d.s.Flush(context.Background(), nil); err != nil || len(batch) == 0 || batch[0].at/hourMillis == d.hour {
		return err
	}
	d.hour = batch[0].at / hourMillis
	_, err := d.s.Tidy(context.Background())
	return err
}

func (d *dewlinePeer) settle() error { return nil }
func (d *dewlinePeer) close() error  { return d.s.Close(context.Background()) }

func (d *dewlinePeer) raw(probe int, from, to int64) (summary, error) {
	out := newSummary()
	for r, err := range d.s.Readings(context.Background(), d.id(probe), time.UnixMilli(from), time.UnixMilli(to)) {
		if err != nil {
			return out, err
		}
		out.read(&r)
	}
	return out, nil
}

func (d *dewlinePeer) byHour(probe int, from, to int64) (summary, error) {
	out := newSummary()
	for r, err := range d.s.Rollups(context.Background(), d.id(probe), store.Hour, time.UnixMilli(from), time.UnixMilli(to)) {
		if err != nil {
			return out, err
		}
		out.add(r.Temperature.Min, r.Temperature.Max, r.Humidity.Mean)
	}
	return out, nil
}

func (d *dewlinePeer) byDay(from, to int64) (summary, error) {
	out := newSummary()
	for probe := range probes {
		day := dayOf{out: &out}
		for r, err := range d.s.Rollups(context.Background(), d.id(probe), store.Hour, time.UnixMilli(from), time.UnixMilli(to)) {
			if err != nil {
				return out, err
			}
			day.add(r.Start.UnixMilli(), r.Count, r.Temperature.Min, r.Temperature.Max, r.Humidity.Mean)
		}
		day.flush()
	}
	return out, nil
}

// dayOf joins hours to days.
type dayOf struct {
	at         int64
	n          int
	minT, maxT int32
	sumH       int64
	out        *summary
}

func (d *dayOf) add(at int64, n int, minT, maxT, meanH int32) {
	if day := at / dayMillis; d.n == 0 || day != d.at {
		d.flush()
		d.at, d.minT, d.maxT = day, minT, maxT
	}
	d.n += n
	d.minT, d.maxT = min(d.minT, minT), max(d.maxT, maxT)
	d.sumH += int64(meanH) * int64(n)
}

func (d *dayOf) flush() {
	if d.n > 0 {
		d.out.add(d.minT, d.maxT, int32(math.Round(float64(d.sumH)/float64(d.n))))
	}
	d.n, d.sumH = 0, 0
}

// check has nothing to do: opening never goes without it.
func (d *dewlinePeer) check() (bool, error) { return false, nil }
