package chart

import "math"

// strokes returns the outlines of a shape's lines as polygons that all turn
// the same way, so that overlapping ones add up.
func strokes(s *shape, width float64) [][]pt {
	var out [][]pt
	for _, path := range s.paths {
		if s.closed && len(path) > 0 {
			path = append(path[:len(path):len(path)], path[0])
		}
		parts := [][]pt{path}
		if d := dashes[s.dash]; d[0] > 0 {
			parts = dashesOf(path, d[0], d[1])
		}
		for _, part := range parts {
			out = append(out, outline(part, width/2)...)
		}
	}
	return out
}

// outline widens each piece of a line by half to both sides, and rounds the
// bends.
func outline(path []pt, half float64) [][]pt {
	var out [][]pt
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		length := math.Hypot(b.x-a.x, b.y-a.y)
		if length == 0 {
			continue
		}
		nx, ny := -(b.y-a.y)/length*half, (b.x-a.x)/length*half
		out = append(out, []pt{{a.x + nx, a.y + ny}, {b.x + nx, b.y + ny}, {b.x - nx, b.y - ny}, {a.x - nx, a.y - ny}})
		if i+1 < len(path) && half > 0.6 {
			out = append(out, joint(b, half))
		}
	}
	return out
}

// joint is an eight-sided disc, turning as outline does.
func joint(at pt, r float64) []pt {
	out := make([]pt, 8)
	for i := range out {
		sin, cos := math.Sincos(-float64(i) * math.Pi / 4)
		out[i] = pt{at.x + r*cos, at.y + r*sin}
	}
	return out
}

// dashesOf cuts a line into strokes of on pixels with off pixels between.
func dashesOf(path []pt, on, off float64) [][]pt {
	var out [][]pt
	var current []pt
	left, drawing := on, true
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		length := math.Hypot(b.x-a.x, b.y-a.y)
		for done := 0.0; done < length; {
			step := min(left, length-done)
			at := func(d float64) pt { return pt{a.x + (b.x-a.x)*d/length, a.y + (b.y-a.y)*d/length} }
			if drawing {
				if len(current) == 0 {
					current = append(current, at(done))
				}
				current = append(current, at(done+step))
			}
			done += step
			if left -= step; left > 1e-9 {
				continue
			}
			if drawing {
				out, current = append(out, current), nil
			}
			drawing = !drawing
			left = on
			if !drawing {
				left = off
			}
		}
	}
	if len(current) > 1 {
		out = append(out, current)
	}
	return out
}
