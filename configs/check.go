package configs

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
