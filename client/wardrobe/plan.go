package wardrobe

import (
	"crypto/sha256"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer"
)

// Plan is the work that a manifest asks for.
type Plan struct {
	// Tasks by body in the manifest's order, then by layer from inner to outer, then
	// by name.
	Tasks []*Task
	// Reports are the HTML pages to write, by body name; empty: none.
	Reports map[string]string
	// State is the file that records what was written.
	State string
}

// Task is the transfer from one body to one garment.
type Task struct {
	// Name is BODY/GARMENT, unique in the plan.
	Name string
	// Body and Garment are the input. The globs of Garment's meshes are also in
	// Options.Garments.
	Body, Garment *Source
	// Layer is the garment's place in the manifest's layers, from 0 (innermost); -1
	// where it has none.
	Layer int
	// Options of the transfer, without Progress, and the same as a message.
	Options transfer.AssetOptions
	Message *pb.Options
	// Output is the file to write.
	Output string
	// Key names the result by its content: convert.WorkKey of all above and the
	// program's version.
	Key string
	// BodyBytes and Bytes are the memory that the prepared body and the transfer
	// take by estimate; Vertices is the garment's size.
	BodyBytes, Bytes int64
	Vertices         int
	// Err is why the task cannot run: its garment cannot be read, say.
	Err error
}

// Source is a glTF file with all that it names, at the time when it was hashed.
// Tasks with the same body share one.
type Source struct {
	// Name in the manifest.
	Name string
	File string
	// Meshes are globs of node, mesh or material names; empty: the default.
	Meshes []string
	// Sum is the SHA-256 of the file's bytes; where it names files beside it
	// (buffers, images), the SHA-256 of all, see hashSource.
	Sum [sha256.Size]byte
	// Files are the file and those that it names, as they were.
	Files []Stamp
}

// Stamp says how a file was: a changed file has another, bar one written within
// the file system's tick.
type Stamp struct {
	File    string    `json:"file"`
	Size    int64     `json:"size"`
	ModTime time.Time `json:"modified"`
}
