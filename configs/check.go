package configs

// A checker compares what was decoded with what can be true, and reports every fault
// it finds. Those who check sections of one subject are made of it.
type checker struct {
	*decoder
	doc        *element
	c          *Config
	ownSpecies []Species // as the keeper's [[species]] sections stand in doc
	families   Families
	warnings   Faults
	// The ids that other sections may name.
	enclosureIDs, lampIDs, mistIDs []string
}

type (
	services struct{ *checker } // what holds for the room, and who is told by which way
	racks    struct{ *checker } // enclosures, and what lives, shines and mists in them
	probes   struct{ *checker }
	warner   struct{ *checker } // finds what is allowed and yet likely to be regretted
)

func newChecker(d *decoder, doc *element, c *Config, families Families) *checker {
	return &checker{
		decoder: d, doc: doc, c: c, families: families, ownSpecies: c.Species,
		enclosureIDs: idsOf(c.Enclosures, func(e *Enclosure) string { return e.ID }),
		lampIDs:      idsOf(c.Lamps, func(l *Lamps) string { return l.ID }),
		mistIDs:      idsOf(c.Mists, func(m *Mist) string { return m.ID }),
	}
}

// all checks every section. The time zone, which others need, comes first.
func (k *checker) all() {
	s, r, p := services{k}, racks{k}, probes{k}
	for _, check := range []func(){
		s.room, r.size, s.rules, s.mqtt, s.http, s.store,
		r.species, r.lamps, r.mists, r.enclosures, r.seasons, p.probes, p.buses, p.contacts,
		s.mail, s.webhooks, s.people, s.duties, s.heartbeat, s.sounder, s.sentinel,
	} {
		check()
	}
}
