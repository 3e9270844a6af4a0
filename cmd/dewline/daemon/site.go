package daemon

import (
	"context"
	"net/http"
	"time"

	"dewline/alert"
	"dewline/alert/metrics"
	"dewline/alert/page"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// siteHandler serves what a person looks at; its streams end with ctx.
func (d *Daemon) siteHandler(ctx context.Context, g *gate) http.Handler {
	return page.New(page.Options{
		Snapshot: d.Snapshot,
		Config:   d.cfg.Load,
		Record: func() page.Record {
			if st := d.currentStore(); st != nil {
				return st
			}
			return nil // and not a pointer to nothing in an interface
		},
		Notebook: notebook{d},
		Command:  d.Command,
		Link:     d.links.check,
		Refused: func(ctx context.Context, what, from string) {
			d.noteRefused(ctx, alert.Command{Action: what, By: from}, "wrong token on the page")
		},
		Token:   g.token,
		MayRead: g.mayRead,
		Summary: http.HandlerFunc(d.serveSummary),
		Stop:    ctx.Done(),
		Log:     d.log,
	})
}

// A notebook passes keepers' notes between the page and the record.
type notebook struct{ d *Daemon }

// Notes returns the notes of one enclosure, oldest first.
func (n notebook) Notes(enclosure string, from, to time.Time) ([]page.Note, error) {
	notes, err := n.d.Notes(enclosure, from, to)
	out := make([]page.Note, len(notes))
	for i, v := range notes {
		out[i] = page.Note{At: v.At.Wall, Enclosure: v.Enclosure, By: v.By, Text: v.Text}
	}
	return out, err
}

// AddNote keeps a note.
func (n notebook) AddNote(ctx context.Context, enclosure, by, text string) error {
	return n.d.AddNote(ctx, enclosure, by, text)
}

// metricsHandler serves the metrics of the newest snapshot.
func (d *Daemon) metricsHandler() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(metrics.New(d.Snapshot), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4, Timeout: 10 * time.Second, EnableOpenMetrics: true,
		// A compressor holds 0.8 MB to spare the house's network 0.1 MB a scrape.
		DisableCompression: true,
	})
}
