// Package pass carries work done by hand on a garment's rows through the passes:
// every new transfer after a change of the body meets rows that an artist has
// repaired since the last one.
//
// A transfer leaves a [Record] of what it gave (record.go). On the next pass
//
//	artist.go   which meshes of a file are the artist's, whatever they are called by now
//	other.go    whether a record is that of another garment
//	same.go     what a file went through on its way through another program
//	edits.go    Find: the artist's current rows against the record give the edits
//	place.go    Place: where the vertices of one surface lie on another
//	vertices.go which of them are the same vertices
//	renamed.go  joints that another program has renamed, told by their places
//	carry.go    Move: the edits on the new garment's vertices and joints
//	joints.go   joints matched by name; vanished ones lead to an ancestor
//	merge.go    Merge: record, artist and new transfer, row by row
//	simplex.go  a changed row brought back to a legal one
//	policy.go   what is done where edit and transfer disagree
//	files.go    Run: all of it from asset to asset
//	transfer.go Transfer: the new transfer, locks included, and Run in one
//	earlier.go  a file that was made from a garment of before the last pass
//	merged.go   a crash between writing record and garment
//
// The merge is a three-way one, with the record as its base. Laws that Khanna,
// Kunal and Pierce, "A Formal Investigation of Diff3", FSTTCS 2007, section 4
// (section from memory), ask of such a merge carry over to rows as far as a row
// is one place: no edit and a new transfer give the transfer; an edit and an
// unchanged transfer give the edit; equal changes on both sides give that
// change; merging the result again changes nothing. All hold bit for bit.
//
// diff.go and touch.go say what changed between two weighted files, and which
// garments a change of the body touches.
//
// A Record is stored by package api/convert; this package knows no coding.
package pass
