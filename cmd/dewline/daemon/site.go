package daemon

import (
	"fmt"
	"net/http"
	"time"

	"dewline/alert/metrics"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// siteHandler serves what a person looks at.
func (d *Daemon) siteHandler(g *gate) http.Handler {
	return g.reading(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/" {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		if s := d.snapshot.Load(); s != nil {
			fmt.Fprintf(w, "%s: %d enclosures, %d alarms\n", s.RoomName, len(s.Enclosures), len(s.Alarms))
		}
	}))
}

// metricsHandler serves the metrics of the newest snapshot.
func (d *Daemon) metricsHandler() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(metrics.New(d.Snapshot), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4, Timeout: 10 * time.Second, EnableOpenMetrics: true,
	})
}
