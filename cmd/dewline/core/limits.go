package core

import (
	"dewline/configs"
	"dewline/rules/room"
	"dewline/sensors"
	"dewline/store"
)

// KeepOf is for how long a configuration has the record kept, and how large.
func KeepOf(cfg *configs.Config) store.Keep {
	return store.Keep{
		KeepRaw: cfg.Store.KeepRaw.D(), KeepTable: cfg.Store.KeepTable.D(), KeepJournal: cfg.Store.KeepJournal.D(),
		MaxBytes: int64(cfg.Store.MaxMiB) << 20,
	}
}

// LimitsOf tells the record what counts as inside the band, for each probe's
// enclosure: the band that the rules judge by at that instant.
func LimitsOf(cfg *configs.Config) store.LimitsFunc {
	byProbe := map[sensors.ProbeID]room.Band{}
	for _, e := range cfg.Enclosures {
		b := room.BandOf(cfg, e)
		for _, p := range cfg.ProbesOf(e.ID) {
			byProbe[sensors.ProbeID(p.ID)] = b
		}
	}
	return func(probe sensors.ProbeID, at sensors.Instant) store.Limits {
		b, ok := byProbe[probe]
		if !ok {
			return store.Limits{}
		}
		low, high, s := b.At(at)
		floor, ceiling := sensors.PercentOf(float64(s.Floor)), sensors.CelsiusOf(float64(s.Lethal))
		return store.Limits{Low: &low, High: &high, Floor: &floor, Lethal: &ceiling}
	}
}
