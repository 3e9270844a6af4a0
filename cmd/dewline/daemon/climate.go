package daemon

import (
	"encoding/json"

	"dewline/alert/wire"
)

// publishClimate refreshes the retained climate of every enclosure.
func (d *Daemon) publishClimate() {
	client := d.channels.broker()
	if client == nil {
		return
	}
	for _, v := range d.core.Enclosures() {
		doc, err := json.Marshal(wire.ClimateOf(&v))
		if err != nil {
			d.log.Error("a climate cannot be shown", "enclosure", v.ID, "err", err)
			continue
		}
		client.Climate(v.ID, doc)
	}
}
