// Package transfer carries the joint weights of a body over to a garment.
//
// The data's way, one file a step, called in this order by [Source.Transfer]:
//
//	source.go    Prepare: the body's search tree, normals, borders, gradients
//	layers.go    garments worn beneath become part of the source: Source.WithLayers, before
//	             the transfer; layer_order.go finds in which order they are worn, layer_same.go
//	             refuses a garment over itself
//	target.go    the garment welded, all primitives together; adjacency, islands
//	register.go  default poses that disagree: found, reported, corrected behind a gate;
//	             far from the body's own, or another size, in register_wide.go; gloves,
//	             boots and hats piece by piece in register_small.go; limbs of skins that
//	             do not name them in register_skeleton.go
//	match.go     candidates on the body for each vertex, by position and normal
//	choose.go    one candidate each, jointly with the neighbours
//	trust.go     expected error of each match
//	loose.go     cloth that hangs, or spans between limbs (spanning.go): anchors, and
//	             the surround (surround.go) as data, on few joints (chains.go)
//	falloff.go   how far each row is smoothed along the garment
//	hold.go      locked rows and joints, and how their surroundings blend to them
//	fill.go      the solve that gives the rest its rows
//	stretch.go   rows of loose cloth held back where it would tear (subtrees.go: rows as
//	             what each joint carries along)
//	above.go     over layers: rows of loose cloth led to where it stays above them, within
//	             a limit on stretch that is set
//	lift.go      the same without such a limit: as far as it must, and smooth again
//	orphans.go   islands far from the body follow the cloth beside them
//	islands.go   buttons and badges get one row as a whole
//	settle.go    over layers: the rows posed, and what dives into a layer gives way
//	joints.go    rows led to other joints: merged, renamed, or the garment's own
//	finish.go    joints allowed, mapped and kept; influences limited, pruned, normalised, quantised
//
// The core knows nothing of files; files.go joins it to package gltfio.
package transfer
