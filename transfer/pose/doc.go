// Package pose checks a weighted garment in motion: one joint, one axis, one
// direction at a time, on the raw skinned mesh, against the body in the same pose.
//
//	skeleton.go  the joints of body and garment as one, by name
//	surface.go   a skinned mesh welded, with its edges, lines and rows
//	match.go     the body point that every garment vertex lies over, found once
//	plan.go      what to pose: the YAML file of ranges, groups and whole poses
//	sweep.go     the poses themselves, and which axis of a joint counts first
//	active.go    what a joint changes at all: everything else is skipped
//	sheet.go     the nearest point of the posed body around a match
//	measure.go   the measures of one pose
//	crossing.go  cloth that enters another part of the body
//	layers.go    cloth that goes under other cloth that it lay over
//	excuse.go    what the body itself does around a place, which is no fault of cloth
//	findings.go  limits, places and sentences
//	notes.go     what the rigger should know: the body's own faults
//	check.go     the driver: joints in parallel, poses in order
//	files.go     the check from asset to asset
//
// Posing is exact, not approximate. A file's skin sends a stored vertex v to
// sum_j w_j G'_j IBM_j v. The surfaces here stand in the default-pose world frame,
// x = sum_j w_j G_j IBM_j v. Where all G_j IBM_j of a skin are equal (the default
// pose is the bind pose) the posed vertex is sum_j w_j (G'_j G_j^-1) x. Elsewhere
// every vertex is taken back to the bind frame once, v = (sum_j w_j G_j IBM_j)^-1 x,
// and posed from there. (Where several skins of one file give a joint different
// inverse bind matrices, the first one's are taken: exact where they differ by the
// frames of their meshes alone.)
// Source: glTF 2.0 specification, section 3.7.3.3 (Skinned Mesh Attributes).
package pose
