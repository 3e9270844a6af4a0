package corpus

import (
	"math"
	"math/rand/v2"
)

// A physical room has four nodes a tank (air with leaves, glass, substrate,
// vapour) with radiation by the fourth power, natural convection by the cube
// root and the Lewis relation for water, solved implicitly; and a house of air
// and walls with an air conditioner, a heater and weather. Figures of glass and
// water are common practice, no source, where none stands beside them.
type physical struct {
	r     *room
	rng   *rand.Rand
	out   float64 // °C, what the weather adds
	air   float64
	walls float64
	water float64 // g/m³ in the room's air
	cool  bool
	heat  bool
	rest  float64 // s until the compressor may start again
	tanks []box
}

type box struct {
	air, glass, soil, water float64 // °C, g/m³
	film, moss              float64 // g
	layer                   float64 // °C of the canopy over the air
	sinkAir, sinkSoil       float64 // W of evaporation
	gainGlass               float64 // W of condensation
}

func newPhysical(r *room, rng *rand.Rand) *physical {
	w := &physical{r: r, rng: rng, air: r.nightSet, walls: r.nightSet, water: 0.5 * saturated(r.nightSet)}
	for range r.tanks {
		w.tanks = append(w.tanks, box{air: r.nightSet + 0.3, glass: r.nightSet, soil: r.nightSet + 0.5,
			water: 0.9 * saturated(r.nightSet), film: 1, moss: 50})
	}
	return w
}

// saturatedKPa is the saturation vapour pressure over water after Hyland and
// Wexler 1983, ASHRAE Handbook of Fundamentals, chapter Psychrometrics.
func saturatedKPa(celsius float64) float64 {
	t := celsius + 273.15
	return math.Exp(-5800.2206/t+1.3914993+t*(-0.048640239+t*(4.1764768e-5-1.4452093e-8*t))+6.5459673*math.Log(t)) / 1000
}

// saturated is the vapour in saturated air, g/m³; 461.5 J/kgK is water's gas
// constant.
func saturated(celsius float64) float64 {
	return saturatedKPa(celsius) * 1e6 / (461.5 * (celsius + 273.15))
}

const (
	boltzmann  = 5.67e-8 // W/m²K⁴
	vaporising = 2450.0  // J/g
	airHeat    = 1200.0  // J/m³K
)

// radiated is the heat path by radiation between two surfaces, W/m²K, at 0.9.
func radiated(a, b float64) float64 {
	x, y := a+273.15, b+273.15
	return 0.9 * boltzmann * (x + y) * (x*x + y*y)
}

// convected is the heat path from a surface to still air, W/m²K.
func convected(a, b float64) float64 { return 1.2 + 1.3*math.Cbrt(math.Abs(a-b)) }

func (w *physical) step(dt float64, d *drive) {
	w.house(dt, d)
	for i := range w.tanks {
		w.tanks[i].step(dt, d, i, &w.r.tanks[i], w.air+0.25*float64(w.r.tanks[i].shelf-1), w.water)
	}
}

// house is 60 m³ of air with what stands in it, and walls.
func (w *physical) house(dt float64, d *drive) {
	r := w.r
	w.out += -w.out*dt/(8*3600) + r.weather*math.Sqrt(2*dt/(8*3600))*w.rng.NormFloat64()
	out := r.outdoors + d.hotter + w.out + r.swing*math.Cos(2*math.Pi*(d.hour-15.5)/24)
	set := r.nightSet
	if r.lit(0, int(d.hour*60)) {
		set = r.daySet
	}
	w.rest -= dt
	switch {
	case w.cool && w.air < set-0.3:
		w.cool, w.rest = false, 300
	case !w.cool && w.air > set+0.4 && w.rest <= 0:
		w.cool = true
	}
	switch {
	case w.heat && w.air > set+0.2:
		w.heat = false
	case !w.heat && w.air < set-0.3:
		w.heat = true
	}
	gain := 150.0
	for i := range d.lamps {
		if d.lamps[i] {
			gain += 1.2 * r.tanks[i].watts
		}
	}
	if r.evening > 0 {
		gain += 250 * r.evening * math.Exp(-math.Pow((d.hour-21)/2.5, 2))
	}
	if w.heat && !d.noHeating {
		gain += 2500
	}
	if w.cool && !d.noCooling {
		gain -= 2200
		w.water += (saturated(9) - w.water) * dt / 2400
	}
	const air, walls, through, inward, leak = 180e3, 8e6, 50.0, 300.0, 38.0
	// Two equations of the implicit step, solved by hand.
	a11, a22 := air/dt+inward+leak, walls/dt+inward+through
	b1, b2 := air/dt*w.air+leak*out+gain, walls/dt*w.walls+through*out
	det := a11*a22 - inward*inward
	w.air, w.walls = (b1*a22+inward*b2)/det, (a11*b2+inward*b1)/det
	outdoors := min(0.75*saturated(r.outdoors-1), saturated(out))
	w.water += (outdoors + 1.2 - w.water) * dt / (1.5 * 3600)
	w.water = min(w.water, saturated(w.air))
}

func (b *box) step(dt float64, d *drive, i int, k *tank, room, vapour float64) {
	volume := k.litres / 1000
	size := math.Cbrt(volume * volume) // m², of one side
	glass, floor := 5*size, size
	scale := k.litres / 91
	vent := (k.changes + d.door[i]) * volume / 3600 // m³/s
	spray := 1.2 * d.spray[i] * scale               // g/s
	lamp, aim := 0.0, 0.0
	if d.lamps[i] {
		lamp, aim = k.watts, 1.8
	}
	b.layer += (aim - b.layer) * dt / (dt + 600)

	airGlass := convected(b.air, b.glass)*glass + 0.6*radiated(b.air, b.glass)*glass // leaves radiate
	airSoil := convected(b.air, b.soil) * floor
	soilGlass := 0.4 * radiated(b.soil, b.glass) * floor
	glassRoom := (3 + radiated(b.glass, room)) * 0.75 * glass // one side in four stands against another tank
	soilRoom := 2.5 * floor
	through := airHeat*vent + 0.4*4.19*spray
	var m [3][4]float64
	heats := [3]float64{2600 * scale, 10500 * glass, 90e3 * floor}
	for j, v := range [3]float64{b.air, b.glass, b.soil} {
		m[j][j] = heats[j] / dt
		m[j][3] = heats[j] / dt * v
	}
	link := func(x, y int, g float64) {
		m[x][x] += g
		m[y][y] += g
		m[x][y] -= g
		m[y][x] -= g
	}
	link(0, 1, airGlass)
	link(0, 2, airSoil)
	link(1, 2, soilGlass)
	for j, g := range [3]float64{through, glassRoom, soilRoom} {
		m[j][j] += g
		m[j][3] += g * room
	}
	m[0][3] += 0.5*lamp - b.sinkAir - 0.4*4.19*spray
	m[1][3] += 0.2*lamp + b.gainGlass
	m[2][3] += 0.3*lamp - b.sinkSoil + d.mat[i]
	b.air, b.glass, b.soil = solve(m)
	b.wet(dt, k.lush*floor, glass, scale, vent, spray, vapour)
	if d.moist[i] > 0 {
		b.water = d.moist[i] / 100 * saturated(b.air)
	}
}

// wet moves the water on: moss and leaves give it off, cold glass takes it, the
// vents carry it. Lewis: a path for water is one for heat over that of air.
func (b *box) wet(dt, moss, glass, scale, vent, spray, outside float64) {
	fromMoss := 0.7 * convected(b.air, b.soil) / airHeat * moss * b.moss / (b.moss + 8)
	fromLeaf := 2.4e-3*scale*b.film/(b.film+2) + 4e-3*spray
	onGlass, atGlass := 0.0, saturated(b.glass)
	if b.water > atGlass {
		onGlass = 0.25 * convected(b.air, b.glass) / airHeat * glass // the rest is planted or behind a film
	}
	atSoil, atAir := saturated(0.6*b.air+0.4*b.soil), saturated(b.air)
	v := 0.091 * scale / dt
	next := (v*b.water + fromMoss*atSoil + fromLeaf*atAir + onGlass*atGlass + vent*outside) / (v + fromMoss + fromLeaf + onGlass + vent)
	b.water = min(next, atAir)
	lost, dried := fromMoss*(atSoil-b.water), fromLeaf*(atAir-b.water)
	b.sinkSoil, b.sinkAir, b.gainGlass = 0.5*vaporising*lost, vaporising*dried+0.5*vaporising*lost, vaporising*onGlass*(b.water-atGlass)
	b.moss = min(max(b.moss-lost*dt+0.9*spray*dt, 0.5), 80*scale)
	b.film = min(max(b.film-dried*dt+0.08*spray*dt, 0), 8*scale)
}

// solve is Gauss's elimination; the matrix is dominated by its diagonal.
func solve(m [3][4]float64) (x, y, z float64) {
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			f := m[j][i] / m[i][i]
			for c := i; c < 4; c++ {
				m[j][c] -= f * m[i][c]
			}
		}
	}
	z = m[2][3] / m[2][2]
	y = (m[1][3] - m[1][2]*z) / m[1][1]
	x = (m[0][3] - m[0][1]*y - m[0][2]*z) / m[0][0]
	return x, y, z
}

func (w *physical) read(p *probe) (celsius, percent float64) {
	if p.tank < 0 {
		return w.air, 100 * w.water / saturated(w.air)
	}
	b := &w.tanks[p.tank]
	switch {
	case p.buried:
		return b.soil, 99.3
	case p.place == "canopy":
		celsius = b.air + b.layer
	default:
		celsius = 0.75*b.air + 0.25*b.soil
	}
	return celsius, min(100, 100*b.water/saturated(celsius))
}
