package report

import (
	"image/color"
	"math"
)

// Map is a colour map, uniform to the eye and safe for colour-blind readers.
type Map int

const (
	// Viridis, by Smith, van der Walt and Firing, 2015 (CC0).
	Viridis Map = iota
	// Cividis, by Nuñez, Anderton and Renslow, "Optimizing colormaps with
	// consideration for color vision deficiency", PLOS ONE 13(7), 2018.
	Cividis
)

// The maps at 33 evenly spaced nodes, sampled from the npm package
// d3-scale-chromatic 3.1.1, whose viridis is the published table of 256 colours
// and whose cividis is a polynomial fitted to the published one.
var viridis = [33][3]uint8{
	{68, 1, 84}, {71, 13, 96}, {72, 24, 106}, {72, 35, 116}, {71, 45, 123}, {69, 55, 129},
	{66, 64, 134}, {62, 73, 137}, {59, 82, 139}, {55, 91, 141}, {51, 99, 141}, {47, 107, 142},
	{44, 114, 142}, {41, 122, 142}, {38, 130, 142}, {35, 137, 142}, {33, 145, 140}, {31, 152, 139},
	{31, 160, 136}, {34, 167, 133}, {40, 174, 128}, {50, 182, 122}, {63, 188, 115}, {78, 195, 107},
	{94, 201, 98}, {112, 207, 87}, {132, 212, 75}, {152, 216, 62}, {173, 220, 48}, {194, 223, 35},
	{216, 226, 25}, {236, 229, 27}, {253, 231, 37},
}

var cividis = [33][3]uint8{
	{0, 32, 81}, {0, 38, 93}, {1, 43, 101}, {8, 49, 105}, {17, 54, 108}, {28, 60, 110},
	{38, 66, 110}, {49, 71, 110}, {60, 77, 110}, {71, 83, 109}, {81, 88, 110}, {90, 94, 110},
	{98, 100, 111}, {106, 106, 112}, {114, 112, 113}, {121, 118, 115}, {127, 124, 117}, {134, 130, 118},
	{140, 136, 119}, {147, 142, 120}, {154, 148, 120}, {161, 155, 120}, {169, 161, 119}, {178, 168, 116},
	{187, 175, 113}, {197, 182, 109}, {206, 189, 104}, {216, 196, 98}, {226, 203, 92}, {235, 211, 85},
	{243, 218, 79}, {250, 226, 73}, {253, 234, 69},
}

// At returns the colour at t, clamped to [0, 1]; InvalidColor where t is not finite.
func (m Map) At(t float64) color.RGBA {
	if math.IsNaN(t) || math.IsInf(t, 0) {
		return InvalidColor
	}
	table := &viridis
	if m == Cividis {
		table = &cividis
	}
	x := min(max(t, 0), 1) * float64(len(table)-1)
	i := min(int(x), len(table)-2)
	f := x - float64(i)
	mix := func(k int) uint8 {
		return uint8((1-f)*float64(table[i][k]) + f*float64(table[i+1][k]) + 0.5)
	}
	return color.RGBA{mix(0), mix(1), mix(2), 255}
}
