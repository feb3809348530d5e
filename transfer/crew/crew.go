// Package crew makes the demo crew of a harbour pilot boat: weighted bodies and
// the clothes they wear at sea, with the true rows of every garment vertex.
//
// A body is a quadrilateral control cage (cage.go) whose vertices carry a
// position and a row; Catmull-Clark subdivision of both (subdivide.go) gives a
// smooth surface and a smooth, limb-aware weight field on it. Every point of the
// surface has an address: a cage face and two parameters, an Anchor. The body's
// mesh samples the surface and the field at its own anchors (tessellate.go).
//
// A garment vertex has an anchor too, on another tessellation, and is then moved
// away from the body: offset, folded, slid, shifted, smoothed, bridged. Its true
// row is the field at its anchor, wherever it was moved to (garment.go). Sheets
// that hang free of the body (the cape, the tails of the coat) have no sensible
// anchor; their truth is a formula, given in sheet.go.
//
// Everything is computed, nothing is random beyond fixed hashes: equal calls
// give equal bytes.
package crew

// Names returns the names of the crew's bodies, in a fixed order.
func Names() []string { return []string{"mate", "cox", "pilot"} }

// build holds the proportions of one body relative to the mate's, and the seed
// and cell size of its tessellation.
type build struct {
	name    string
	leg     float64 // height of the hips
	trunk   float64 // height of the trunk, neck and head above the hips
	girth   float64 // trunk radius
	belly   float64 // extra depth of the belly, metres
	limb    float64 // limb radius
	breadth float64 // shoulder breadth
	arm     float64 // arm and hand length
	hand    float64 // hand width and thickness
	cell    float64 // target edge length on the trunk, metres
	seed    uint64
}

func buildOf(name string) (build, bool) {
	switch name {
	case "mate":
		return build{name, 1, 1, 1, 0, 1, 1, 1, 1, 0.0108, 11}, true
	case "cox":
		return build{name, 0.90, 0.94, 1.15, 0.03, 1.08, 1.07, 0.92, 1.03, 0.0140, 23}, true
	case "pilot":
		return build{name, 1.06, 1.03, 0.92, 0, 0.92, 0.99, 1.05, 0.98, 0.0100, 37}, true
	}
	return build{}, false
}
