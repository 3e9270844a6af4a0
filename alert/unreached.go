package alert

import (
	"slices"

	"dewline/sensors"
)

// Calling reports whether a wake alarm calls that nobody answered, and whether that
// reaches nobody now: no channel took it over yet, or none of anybody's works any
// more.
func (d *Desk) Calling(now sensors.Instant) (calling, unreached bool) {
	d.begin(now)
	for _, in := range d.book.list() {
		if in.Ended || in.aside() || !in.calling() {
			continue
		}
		calling = true
		if in.any(func(m *Member) bool { return calls(m) && !m.Heard }) {
			return true, true
		}
	}
	return calling, calling && !slices.ContainsFunc(d.opt.targets(len(d.opt.People)), func(t target) bool { return d.links.working(t.channel) })
}
