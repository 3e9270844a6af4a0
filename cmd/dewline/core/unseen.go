package core

import (
	"slices"

	"dewline/configs"
	"dewline/rules/alarm"
)

// unseen is the enclosure in which nobody sees heat since a probe is out of service:
// somebody lives there, and no other probe of it is in service. Empty for none.
func (c *Core) unseen(probe string) (enclosure string) {
	probes := c.roster.cfg.Probes
	i := slices.IndexFunc(probes, func(p configs.Probe) bool { return p.ID == probe && p.MeasuresTemperature() })
	if i < 0 || probes[i].Enclosure == "" || c.out(alarm.LethalLimit, probes[i].Enclosure) {
		return ""
	}
	enclosure = probes[i].Enclosure
	if slices.ContainsFunc(probes, func(p configs.Probe) bool {
		return p.Enclosure == enclosure && p.MeasuresTemperature() && !c.out(alarm.ProbeSilent, p.ID)
	}) {
		return ""
	}
	return enclosure
}

// out reports whether an alarm of a subject is out of service.
func (c *Core) out(a alarm.ID, subject string) bool {
	v, ok := c.engine.Alarm(alarm.Key{Alarm: a, Subject: subject})
	return ok && v.State == alarm.OutOfService
}
