package report

import (
	"image/color"
	"math"
)

// Map is a colour map. So far there is one.
type Map int

// Viridis, by Smith, van der Walt and Firing, 2015 (CC0).
const Viridis Map = 0

// viridis holds nine evenly spaced nodes of the published table, taken from a
// public copy of it; the first agrees with the published floats (0.267004,
// 0.004874, 0.329415), the others have not been compared with the original.
// Colours between nodes are interpolated, so they only come near the original's.
var viridis = [9][3]uint8{
	{68, 1, 84}, {71, 44, 122}, {59, 81, 139}, {44, 113, 142}, {33, 144, 141},
	{39, 173, 129}, {92, 200, 99}, {170, 220, 50}, {253, 231, 37},
}

// At returns the colour at t, clamped to [0, 1]; InvalidColor where t is not finite.
func (m Map) At(t float64) color.RGBA {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		return InvalidColor
	}
	x := min(max(t, 0), 1) * float64(len(viridis)-1)
	i := min(int(x), len(viridis)-2)
	f := x - float64(i)
	mix := func(k int) uint8 {
		return uint8((1-f)*float64(viridis[i][k]) + f*float64(viridis[i+1][k]) + 0.5)
	}
	return color.RGBA{mix(0), mix(1), mix(2), 255}
}
