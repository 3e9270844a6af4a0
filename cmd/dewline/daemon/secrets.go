package daemon

import (
	"context"

	"dewline/sensors"
)

// tellLeftOut tells what does not work for want of a secret, and of nothing where
// an earlier start left that open. Channels tell of themselves.
func (d *Daemon) tellLeftOut(ctx context.Context) {
	d.post(ctx, func(now sensors.Instant) { d.apply(d.core.LeftOut(now, d.leftOut())) })
}

// leftOut lists what does not work for want of a secret.
func (d *Daemon) leftOut() []string {
	out := d.channels.withoutSecret()
	if _, err := secret(d.cfg.Load().HTTP.TokenFile); err != nil {
		out = append(out, "Nothing can be answered on the page: "+err.Error()+".")
	}
	return out
}
