// Package metrics shows a snapshot of the daemon in the text formats of
// Prometheus and OpenMetrics. It holds one collector that builds its metrics at
// each scrape; it keeps no figures of its own, and a scrape can delay nothing
// but itself.
//
// Names begin with dewline_ and values are in base units: degrees Celsius,
// ratios from 0 to 1, pascals, seconds. A probe that delivers nothing has no
// temperature series: its last value is never repeated. What lasts is the time
// of its last good reading.
package metrics
