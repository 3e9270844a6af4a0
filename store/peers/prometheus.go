package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"strconv"

	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	"golang.org/x/sys/unix"
)

// promPeer is Prometheus' storage library with two series a probe, values in
// degrees and per cent. It syncs its log only when a segment is full, so a
// batch is made durable by syncing the file system, when durable is asked for.
type promPeer struct {
	db      *tsdb.DB
	dir     *os.File
	durable bool
	refs    map[int][2]storage.SeriesRef
}

func openPrometheus(dir string) (peer, error) {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = 10 * 365 * dayMillis
	if os.Getenv("PEERS_SPARSE") != "" { // months of few readings: not a folder for every two hours
		o.MinBlockDuration, o.MaxBlockDuration = 20*dayMillis, 20*dayMillis
	}
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err != nil {
		return nil, err
	}
	f, err := os.Open(dir)
	return &promPeer{db: db, dir: f, durable: os.Getenv("PEERS_WEAR") != "", refs: map[int][2]storage.SeriesRef{}}, err
}

func seriesOf(probe int) [2]labels.Labels {
	p := strconv.Itoa(probe)
	return [2]labels.Labels{
		labels.FromStrings(model.MetricNameLabel, "temperature", "probe", p),
		labels.FromStrings(model.MetricNameLabel, "humidity", "probe", p),
	}
}

func (p *promPeer) append(batch []point) error {
	app := p.db.Appender(context.Background())
	for _, x := range batch {
		refs, known := p.refs[x.probe]
		var names [2]labels.Labels
		if !known {
			names = seriesOf(x.probe)
		}
		for i, v := range [...]int32{x.temp, x.hu} {
			var err error
			if refs[i], err = app.Append(refs[i], names[i], x.at, float64(v)/100); err != nil {
				return errors.Join(err, app.Rollback())
			}
		}
		p.refs[x.probe] = refs
	}
	if err := app.Commit(); err != nil || !p.durable {
		return err
	}
	return unix.Syncfs(int(p.dir.Fd()))
}

// settle packs what is still in the log as well.
func (p *promPeer) settle() error {
	h := p.db.Head()
	if err := p.db.CompactHead(tsdb.NewRangeHead(h, h.MinTime(), h.MaxTime())); err != nil {
		return err
	}
	return p.db.Compact(context.Background())
}

func (p *promPeer) close() error { return errors.Join(p.db.Close(), p.dir.Close()) }

// each walks both series of a probe side by side.
func (p *promPeer) each(probe int, from, to int64, visit func(at int64, t, h int32)) error {
	q, err := p.db.Querier(from, to-1)
	if err != nil {
		return err
	}
	defer q.Close()
	var its [2]chunkenc.Iterator
	for i, name := range [...]string{"temperature", "humidity"} {
		set := q.Select(context.Background(), false, nil,
			labels.MustNewMatcher(labels.MatchEqual, model.MetricNameLabel, name),
			labels.MustNewMatcher(labels.MatchEqual, "probe", strconv.Itoa(probe)))
		if !set.Next() {
			return fmt.Errorf("no series %s of probe %d: %w", name, probe, set.Err())
		}
		its[i] = set.At().Iterator(nil)
	}
	for its[0].Next() == chunkenc.ValFloat && its[1].Next() == chunkenc.ValFloat {
		at, t := its[0].At()
		_, h := its[1].At()
		visit(at, int32(math.Round(t*100)), int32(math.Round(h*100)))
	}
	return errors.Join(its[0].Err(), its[1].Err())
}

func (p *promPeer) raw(probe int, from, to int64) (summary, error) {
	out, name := newSummary(), nameOf(probe)
	err := p.each(probe, from, to, func(at int64, t, h int32) {
		r := readingOf(name, at, t, h)
		out.read(&r)
	})
	return out, err
}

func (p *promPeer) byHour(probe int, from, to int64) (summary, error) {
	out := newSummary()
	s := spans{width: hourMillis, out: &out}
	err := p.each(probe, from, to, s.add)
	s.flush()
	return out, err
}

func (p *promPeer) byDay(from, to int64) (summary, error) {
	out := newSummary()
	for probe := range probes {
		s := spans{width: dayMillis, out: &out}
		if err := p.each(probe, from, to, s.add); err != nil {
			return out, err
		}
		s.flush()
	}
	return out, nil
}

// check does nothing: there is no such call, and opening reads the log.
func (p *promPeer) check() (bool, error) { return false, nil }
