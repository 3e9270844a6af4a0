package corpus

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Measured rooms, which are no part of the repository (see its README): an
// office each minute (Candanedo & Feldheim 2016, UCI 10.24432/C5X01N) and a
// house of nine probes every ten minutes, with three rows of four left out
// (Candanedo et al. 2017, UCI 10.24432/C5VC8G). Both halves use other days.
const openData = "../../../shared/data"

var errNoOpenData = errors.New("open data shared/data is not here")

// measured is a series of rows, each with the values of all probes.
type measured struct {
	at   []time.Time
	temp [][]float64
	hum  [][]float64
}

func readMeasured(file string, columns [][2]string) (*measured, error) {
	f, err := os.Open(filepath.Join(openData, file))
	if err != nil {
		return nil, errNoOpenData
	}
	defer f.Close()
	in := csv.NewReader(f)
	in.FieldsPerRecord = -1
	head, err := in.Read()
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", file, err)
	}
	at := map[string]int{}
	for i, name := range head {
		at[name] = i
	}
	m := &measured{}
	for {
		row, err := in.Read()
		if err == io.EOF {
			return m, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", file, err)
		}
		off := len(row) - len(head) // the office's rows begin with a number
		when, err := time.Parse(time.DateTime, strings.TrimSpace(row[at["date"]+off]))
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", file, err)
		}
		var t, h []float64
		for _, c := range columns {
			for i, name := range c {
				v, err := strconv.ParseFloat(strings.TrimSpace(row[at[name]+off]), 64)
				if err != nil {
					return nil, fmt.Errorf("read %s: %w", file, err)
				}
				if i == 0 {
					t = append(t, v)
				} else {
					h = append(h, v)
				}
			}
		}
		m.at, m.temp, m.hum = append(m.at, when), append(m.temp, t), append(m.hum, h)
	}
}

// openWorld puts measured air into tanks: lifted by some degrees and dampened
// to what frogs are kept in, with its noise, steps and gaps as they are.
type openWorld struct {
	r     *room
	m     *measured
	house bool
	first int // row
	now   int
	shift []int // rows by which each tank's series is another's
	fresh bool
	d     *drive
}

func newOpenWorld(r *room, c caseID, rng *rand.Rand) (*openWorld, error) {
	w := &openWorld{r: r, house: c.gen == 'h'}
	var err error
	if w.house {
		columns := [][2]string{{"T8", "RH_8"}}
		for _, i := range []int{1, 2, 3, 4, 5, 7, 9} {
			columns = append(columns, [2]string{fmt.Sprintf("T%d", i), fmt.Sprintf("RH_%d", i)})
		}
		w.m, err = readMeasured("appliances/testing.csv", columns)
	} else {
		file := map[bool]string{true: "datatest2.txt", false: "datatraining.txt"}[c.half == untouched]
		w.m, err = readMeasured("occupancy/"+file, [][2]string{{"Temperature", "Humidity"}})
	}
	if err != nil {
		return nil, err
	}
	n := len(w.m.at)
	w.first = rng.IntN(n / 8)
	if w.house && c.half == untouched {
		w.first += n / 2
	}
	r.begin, w.now = w.m.at[w.first], w.first
	r.lampOn, r.lampTo, r.mist, r.openings = [2]int{480, 480}, [2]int{}, nil, 0
	tanks := 4
	if w.house {
		tanks, r.poll = 7, 30*time.Minute // the middle gap
	} else {
		r.poll = time.Minute
	}
	r.tanks, r.probes = nil, []probe{{id: "room", tank: -1, place: "room", twinOf: -1}}
	for i := range tanks {
		id := strconv.Itoa(i + 1)
		r.tanks = append(r.tanks, tank{id: "t" + id, species: speciesList[i%2], shelf: 1 + i/4, slot: 1 + i%4, litres: 91})
		r.probes = append(r.probes, probe{id: "p" + id, tank: i, place: "litter", twinOf: -1})
		w.shift = append(w.shift, (i+1)*n/9)
	}
	return w, nil
}

// step moves on to the row in force; whether it is a new one says fresh.
func (w *openWorld) step(_ float64, d *drive) {
	w.d, w.fresh = d, false
	for w.now+1 < len(w.m.at) && !w.m.at[w.now+1].After(w.r.begin.Add(d.at)) {
		w.now++
		w.fresh = true
	}
}

func (w *openWorld) read(p *probe) (celsius, percent float64) {
	if w.house {
		t, h := w.m.temp[w.now], w.m.hum[w.now]
		if p.tank < 0 {
			return t[0], h[0]
		}
		return t[p.tank+1] + 2.5 + w.d.shape[p.tank], min(99, h[p.tank+1]+42)
	}
	t, h := w.m.temp[w.now][0], w.m.hum[w.now][0]
	if p.tank < 0 {
		return t, h
	}
	// Half of the day's own course and half of another day's at another hour.
	other := (w.now + w.shift[p.tank]) % len(w.m.at)
	celsius = 22.5 + 0.6*(t-21) + 0.4*(w.m.temp[other][0]-21) + w.d.shape[p.tank]
	return celsius, math.Min(99, 84+0.7*(h-25)+0.3*(w.m.hum[other][0]-25))
}
