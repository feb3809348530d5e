package transfer

import (
	"time"

	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"github.com/selvage/selvage/transfer/weights"
)

// Body is the weighted source.
type Body struct {
	// Name appears in messages.
	Name string
	// Mesh in the default-pose world frame.
	Mesh *mesh.Mesh
	// Rows of Mesh's vertices over Skin's joints. A row that is empty, not finite
	// or negative in its sum is unusable: it is left out and reported.
	Rows *weights.Rows
	// Skin that the rows refer to.
	Skin *skinning.Skin
}

// Garment is the target: all primitives of one garment together.
type Garment struct {
	// Name appears in messages.
	Name string
	// Mesh in the same default-pose world frame as the body.
	Mesh *mesh.Mesh
	// Parts say which range of vertices belongs to which primitive.
	Parts []Part
	// Kept are rows of joints that the garment brings itself and that keep their
	// weight, over the body's Skin extended by those joints; nil where there are
	// none. Vertex v keeps Kept's row v as it is and shares out 1 minus its sum.
	// Where the garment has a Skin, over that.
	Kept *weights.Rows
	// Held is what of the present rows must not change; nil: nothing.
	Held *Held
	// Skin that the result's rows are to refer to; nil: the body's. The body's joints
	// are mapped to its joints (Options.JointMap).
	Skin *skinning.Skin
}

// Part is one primitive of a garment.
type Part struct {
	// Node, Mesh and Material are names as the asset gives them; may be empty.
	Node, Mesh, Material string
	// Primitive is the index within its mesh.
	Primitive int
	// Start and End are the vertex range [Start, End) in Garment.Mesh.
	Start, End int
}

// Reason says why a vertex should not be trusted, or what was done to it; one
// bit each, as stored in _REASON.
type Reason uint16

const (
	ReasonBeyondReach Reason = 1 << iota
	ReasonFacingAway
	ReasonNeighboursDisagree
	ReasonOpenBorder
	ReasonFilled
	ReasonRigidIsland
	ReasonKeptEdit
	ReasonEditConflict
	ReasonPruned
	ReasonPoseDisagrees
)

// ReasonNames are the names of the reasons, by bit.
var ReasonNames = [...]string{
	"beyond reach", "facing away", "neighbours disagree", "at the body's open border",
	"filled in", "rigid island", "kept edit", "edit in conflict",
	"weight lost by pruning", "default poses disagree",
}

// Name of a single reason bit; empty for anything else.
func (r Reason) Name() string {
	for bit, name := range ReasonNames {
		if r == 1<<bit {
			return name
		}
	}
	return ""
}

// LowConfidence is the confidence below which a vertex counts as low: one to
// look at.
const LowConfidence = 0.5

// Result of one transfer, by garment vertex.
type Result struct {
	// Rows over Body.Skin's joints (extended by the garment's kept joints), or over
	// Garment.Skin's where that is set:
	// limited, pruned, normalised, on the grid of Options.Format, and equal at
	// coincident vertices.
	Rows *weights.Rows
	// Confidence in [0,1]; exp(-e/0.4) of the expected L1 error e of the row.
	Confidence []float32
	// Reason bits.
	Reason []Reason
	// Triangle of the body that each vertex is matched to, -1 where there is none,
	// and Bary the match's barycentric coordinates in it.
	Triangle []int32
	Bary     [][3]float64
	// Layer of each vertex's match: 0 the body, then the layers, inner to outer, of
	// whose meshes Triangle is then; -1 without a match. Nil where the source has no
	// layers.
	Layer []int32
	// Distance from each vertex to its match, metres; +Inf without a match.
	Distance []float64
	Summary  Summary
}

// Summary counts what a transfer did. Every vertex is matched, filled or rigid, but for
// those that are locked, which Reasons counts as kept edits.
type Summary struct {
	Garment       string  `json:"garment"`
	Vertices      int     `json:"vertices"`
	Welded        int     `json:"welded"`  // vertices after welding
	Islands       int     `json:"islands"` // connected components after welding
	Matched       int     `json:"matched"` // rows taken from a trusted match
	Filled        int     `json:"filled"`  // rows that the fill gave
	Rigid         int     `json:"rigid"`   // rows of rigid islands
	Loose         int     `json:"loose"`   // rows of loose cloth
	LowConfidence int     `json:"lowConfidence"`
	MaxDistance   float64 `json:"maxDistance"` // metres, to the match
	// Reasons counts vertices by reason name.
	Reasons map[string]int `json:"reasons"`
	// TakenFrom counts vertices by what they are matched to: the body, then its layers,
	// inner to outer. Empty where the source has no layers.
	TakenFrom []TakenFrom `json:"takenFrom,omitempty"`
	// Notes are sentences for the user: what was found and what was done about it.
	Notes []string `json:"notes,omitempty"`
	// Offsets are the joints whose default pose seems to differ.
	Offsets []PoseOffset `json:"offsets,omitempty"`
	// JointMap is the table of the joint map where there is one: every joint of the
	// body for a garment with a Skin, else the joints that a rule names.
	JointMap []JointMapping `json:"jointMap,omitempty"`
	// Seconds by stage, and in all.
	Seconds map[Stage]float64 `json:"seconds"`
	Total   time.Duration     `json:"-"`
}

// TakenFrom is the number of vertices that are matched to the body or to one layer.
type TakenFrom struct {
	Name     string `json:"name"`
	Vertices int    `json:"vertices"`
}

// PoseOffset is a limb that stands otherwise in the garment than in the body: by a
// turn about its joint, a shift of the joint, a size of its own.
type PoseOffset struct {
	Joint   string  `json:"joint"`
	Degrees float64 `json:"degrees"`
	// Shift of the joint in metres, beyond what the limbs above it explain.
	Shift float64 `json:"shift"`
	// Scale is the size of the garment's limb as a multiple of the body's.
	Scale     float64 `json:"scale"`
	Corrected bool    `json:"corrected"` // used for matching
}
