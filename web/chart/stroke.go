package chart

import "math"

// ribbon is the outline of a line of the given half width: up one side and
// down the other, with mitred joints that are cut at twice the half width.
func ribbon(pts []point, half float64) []point {
	pts = apart(pts)
	if len(pts) < 2 {
		return nil
	}
	left := make([]point, len(pts))
	right := make([]point, len(pts))
	for i, p := range pts {
		ox, oy := normal(pts[max(i-1, 0)], pts[max(i, 1)])
		if i > 0 && i < len(pts)-1 {
			nx, ny := normal(p, pts[i+1])
			ox, oy = mitre(ox, oy, nx, ny)
		}
		left[i] = point{p.x + ox*half, p.y + oy*half}
		right[i] = point{p.x - ox*half, p.y - oy*half}
	}
	return append(left, reversed(right)...)
}

// mitre joins two unit normals to the offset of a joint.
func mitre(ax, ay, bx, by float64) (float64, float64) {
	mx, my := ax+bx, ay+by
	n := math.Hypot(mx, my)
	if n < 1e-6 {
		return ax, ay
	}
	mx, my = mx/n, my/n
	k := math.Min(2, 1/math.Max(0.1, mx*ax+my*ay))
	return mx * k, my * k
}

// normal is the unit vector square to the way from a to b.
func normal(a, b point) (float64, float64) {
	n := math.Hypot(b.x-a.x, b.y-a.y)
	return -(b.y - a.y) / n, (b.x - a.x) / n
}

// apart drops points that lie on the one before.
func apart(pts []point) []point {
	var out []point
	for _, p := range pts {
		if n := len(out); n == 0 || math.Hypot(p.x-out[n-1].x, p.y-out[n-1].y) > 1e-6 {
			out = append(out, p)
		}
	}
	return out
}

func reversed(pts []point) []point {
	out := make([]point, 0, len(pts))
	for i := len(pts) - 1; i >= 0; i-- {
		out = append(out, pts[i])
	}
	return out
}

// circle is a ring of n corners.
func circle(c point, r float64, n int) []point {
	out := make([]point, n)
	for i := range out {
		a := 2 * math.Pi * float64(i) / float64(n)
		out[i] = point{c.x + r*math.Cos(a), c.y + r*math.Sin(a)}
	}
	return out
}

// dashed cuts a line into its dashes. No pattern gives the line itself.
func dashed(pts []point, pattern []float64) [][]point {
	if len(pattern) == 0 || len(pts) == 0 {
		return [][]point{pts}
	}
	var out [][]point
	k, left, on := 0, pattern[0], true
	run := []point{pts[0]}
	for i := 1; i < len(pts); i++ {
		a, b := pts[i-1], pts[i]
		n := math.Hypot(b.x-a.x, b.y-a.y)
		for done := 0.0; n-done > 1e-9; {
			step := math.Min(left, n-done)
			done += step
			left -= step
			at := point{a.x + (b.x-a.x)*done/n, a.y + (b.y-a.y)*done/n}
			run = append(run, at)
			if left > 1e-9 {
				continue
			}
			if on {
				out = append(out, run)
			}
			k = (k + 1) % len(pattern)
			left, on, run = pattern[k], !on, []point{at}
		}
	}
	if on && len(run) > 1 {
		out = append(out, run)
	}
	return out
}
