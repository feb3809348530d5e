package pose

// The driver: prepares a check, runs joints in parallel, delivers poses in order.

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync/atomic"

	"github.com/selvage/selvage/transfer/closest"
	"github.com/selvage/selvage/transfer/forkjoin"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/skinning"
	"gonum.org/v1/gonum/spatial/r3"
)

// Options of a check. The zero value works.
type Options struct {
	// Plan of poses. Nil: the default sweep.
	Plan *Plan
	// Layers are weighted garments worn beneath, in order from the inside out: the
	// garment must not go under what it lies over.
	Layers []*Figure
	// Moments are whole poses to be checked after the plan's.
	Moments []Moment
	// MaxPoses bounds the poses of plan and animations together. Zero: no bound.
	MaxPoses int
	// Threads is the number of goroutines. Zero: GOMAXPROCS. The result does not
	// depend on it.
	Threads int

	lazy []lazyMoment // checked after Moments
}

// FigureError reports a figure that cannot be checked.
type FigureError struct {
	Figure string // its name
	What   string
}

func (e *FigureError) Error() string { return e.Figure + ": " + e.What }

// reachShare is how far from the body, as a share of its diagonal, a vertex may
// stand for its gap to be judged: beyond, cloth hangs free.
const reachShare = 0.08

// hangShare is how far a vertex may stand and still be held against the body's rows
// at its match: about 6 cm on a grown figure.
const hangShare = 0.03

// deepShare is how far from its match a vertex may go and still be judged to be
// inside or outside the sheet of it: about 10 cm on a grown figure, half a trunk.
const deepShare = 0.05

// rigidShare and rigidElongation say which islands should keep their shape:
// compact ones no longer than this share of the body's diagonal (buttons, buckles).
const rigidShare, rigidElongation = 0.03, 3.5

// Checker holds a garment over a body, ready to be posed. It is read-only and safe
// for concurrent use.
type Checker struct {
	body, garment *surface
	skeleton      *skeleton
	match         []match
	layers        []*under // beneath the garment, inner to outer
	islands       []rigidIsland
	seeds         seeds
	seams         []seam
	covered       []bool // body vertices that lie under the garment
	poses         []Pose
	limits        Limits
	scale         []float64 // mean length of the edges at each garment vertex, metres
	ballRadius    float64
	reach         float64 // farther vertices have no gap to judge, metres
	deep          float64 // farther from its match a vertex is not in the body but off its place
	hang          float64 // farther vertices are not held against the body's rows
	threads       int
	remarks       []string

	// For tests: nothing is skipped and no bound decides.
	exhaustive bool
}

// Body is a body made ready for checks. It is read-only and safe for concurrent use.
type Body struct {
	surface *surface
	tree    *closest.Tree
}

// Prepare welds a body and makes it ready to be searched. It must not change while
// the Body or a Checker of it is used. Errors: *FigureError, those of
// mesh.Mesh.Validate, ctx's. O(n log n).
func Prepare(ctx context.Context, body *Figure, threads int) (*Body, error) {
	if body.Skin == nil {
		return nil, &FigureError{body.Name, "has no skin"}
	}
	own := make([]uint16, len(body.Skin.Joints))
	for j := range own {
		own[j] = uint16(j)
	}
	s, err := newSurface(ctx, body, own, len(own))
	if err != nil {
		return nil, err
	}
	tree, err := closest.NewTree(ctx, s.pos, s.tri, threads)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", body.Name, err)
	}
	return &Body{s, tree}, nil
}

// New prepares a check: Prepare, then Check.
func New(ctx context.Context, body, garment *Figure, opt Options) (*Checker, error) {
	if err := opt.Plan.Validate(); err != nil {
		return nil, err
	}
	b, err := Prepare(ctx, body, opt.Threads)
	if err != nil {
		return nil, err
	}
	return b.Check(ctx, garment, opt)
}

// Check prepares a check: welds the garment, unites its joints with the body's by
// name, finds the matches and lists the poses. The garment must not change while the
// Checker is used. Errors: *PlanError, *TooManyPosesError, *FigureError, those of
// mesh.Mesh.Validate, ctx's. O(n log n).
func (b *Body) Check(ctx context.Context, garment *Figure, opt Options) (*Checker, error) {
	plan := opt.Plan
	if plan == nil {
		plan = &Plan{}
	}
	if err := plan.Validate(); err != nil {
		return nil, err
	}
	if garment.Skin == nil {
		return nil, &FigureError{garment.Name, "has no skin: give it weights first"}
	}
	body := b.surface.figure
	k := &Checker{threads: opt.Threads}
	k.skeleton, k.remarks = unite(body.Skin, garment.Skin)
	n := len(k.skeleton.skin.Joints)
	k.body = b.surface.over(n)
	var err error
	if k.garment, err = newSurface(ctx, garment, k.skeleton.garment, n); err != nil {
		return nil, err
	}
	if err := k.noteUnknown(ctx, garment, k.skeleton.garment); err != nil {
		return nil, err
	}
	for _, s := range []*surface{k.body, k.garment} {
		still := 0
		for v := range s.pos {
			if j, _ := s.rows.Row(v); len(j) == 0 {
				still++
			}
		}
		if still > 0 {
			k.remarks = append(k.remarks, fmt.Sprintf("%s: %d vertices have no weights and stay where they are", s.figure.Name, still))
		}
		if s.lost > 0 {
			k.remarks = append(k.remarks, fmt.Sprintf("%s: the blended matrix of %d vertices cannot be inverted; their poses mean nothing", s.figure.Name, s.lost))
		}
	}
	diagonal := body.Mesh.Diagonal()
	k.reach, k.deep, k.hang = reachShare*diagonal, deepShare*diagonal, hangShare*diagonal
	k.limits = plan.Limits.withDefaults(diagonal)
	if k.match, err = findMatches(ctx, k.body, b.tree, k.garment, opt.Threads); err != nil {
		return nil, err
	}
	for _, l := range opt.Layers {
		if err := k.addLayer(ctx, l, b.tree, opt.Threads); err != nil {
			return nil, err
		}
	}
	k.findOver()
	n = len(k.skeleton.skin.Joints)
	k.ballRadius = max(ballShare*diagonal, 2*k.garment.meanEdge)
	k.newSeeds(diagonal)
	k.findScale()
	k.findCovered()
	k.findRigid(diagonal)
	k.findSeams()
	moves := make([]bool, n)
	moved := func(s *surface, v int) {
		joint, weight := s.rows.Row(v)
		for i, j := range joint {
			if weight[i] > dust {
				moves[j] = true
			}
		}
	}
	for v := range k.garment.pos {
		moved(k.garment, v)
	}
	for _, l := range k.layers {
		for _, v := range l.over {
			for _, u := range l.surface.tri[l.match[v].triangle] {
				moved(l.surface, int(u))
			}
		}
	}
	// A joint moves what its children move.
	for i := len(k.skeleton.order) - 1; i >= 0; i-- {
		j := k.skeleton.order[i]
		if p := k.skeleton.skin.Joints[j].Parent; p >= 0 && moves[j] {
			moves[p] = true
		}
	}
	expand := plan.expander(k.skeleton)
	for i := range plan.Joints {
		if list := plan.Joints[i].Joints; len(expand(list)) == 0 {
			k.remarks = append(k.remarks, fmt.Sprintf("the plan's rule for %q names no joint", list))
		}
	}
	most := opt.MaxPoses
	if most <= 0 {
		most = math.MaxInt
	}
	if k.poses, err = plan.sweep(k.skeleton, expand, moves, diagonal, most); err != nil {
		return nil, err
	}
	if len(k.poses)+len(opt.Moments)+len(opt.lazy) > most {
		return nil, &TooManyPosesError{most}
	}
	for _, m := range opt.Moments {
		p, err := k.skeleton.moment(m)
		if err != nil {
			return nil, err
		}
		k.poses = append(k.poses, p)
	}
	for _, m := range opt.lazy {
		k.poses = append(k.poses, Pose{Name: m.name, Change: Whole, Importance: 1, root: -1, of: func() []skinning.Affine {
			return k.skeleton.momentMaps(m.make())
		}})
	}
	return k, nil
}

// findScale measures the mesh around each vertex.
func (k *Checker) findScale() {
	k.scale = make([]float64, len(k.garment.pos))
	count := make([]float64, len(k.garment.pos))
	for i, e := range k.garment.edge {
		for _, v := range e {
			k.scale[v] += k.garment.length[i]
			count[v]++
		}
	}
	for v := range k.scale {
		if count[v] > 0 {
			k.scale[v] /= count[v]
		}
	}
}

// findCovered marks the body vertices of matched triangles and three rings more:
// notes on the body are about what the garment covers.
func (k *Checker) findCovered() {
	k.covered = make([]bool, len(k.body.pos))
	var front []int32
	mark := func(v int32) {
		if !k.covered[v] {
			k.covered[v] = true
			front = append(front, v)
		}
	}
	for v := range k.match {
		if m := &k.match[v]; m.triangle >= 0 && m.distance <= k.reach {
			for _, u := range k.body.tri[m.triangle] {
				mark(u)
			}
		}
	}
	// Garments coarser than the body leave holes between their matches.
	rings := 3
	if k.body.meanEdge > 0 {
		rings = max(rings, min(20, int(math.Ceil(k.garment.meanEdge/k.body.meanEdge))))
	}
	for range rings {
		now := front
		front = nil
		for _, v := range now {
			for _, u := range k.body.adj.Neighbours(int(v)) {
				mark(u)
			}
		}
	}
}

// findRigid lists the islands that should keep their shape.
func (k *Checker) findRigid(diagonal float64) {
	islands := mesh.NewIslands(k.garment.adj)
	for i := range islands.Count {
		members := islands.Members(i)
		if len(members) < 3 {
			continue
		}
		points := make([]r3.Vec, len(members))
		for q, v := range members {
			points[q] = k.garment.pos[v]
		}
		// A quick look at the box spares large islands the eigenvectors.
		b := mesh.Bounds(points)
		size := norm(r3.Sub(b.Max, b.Min))
		if size > 2*rigidShare*diagonal {
			continue
		}
		ext := mesh.PrincipalExtents(points)
		slices.Sort(ext[:])
		if ext[2] > rigidShare*diagonal || ext[2] > rigidElongation*ext[1] || ext[2] == 0 {
			continue
		}
		x := rigidIsland{members: members, size: size}
		// Anchors: each time the member farthest from those chosen.
		far := make([]float64, len(members))
		for q := range far {
			far[q] = math.Inf(1)
		}
		at := 0
		for range min(4, len(members)) {
			x.anchors = append(x.anchors, members[at])
			next := 0
			for q := range members {
				far[q] = min(far[q], norm(r3.Sub(points[q], points[at])))
				if far[q] > far[next] {
					next = q
				}
			}
			at = next
		}
		k.islands = append(k.islands, x)
	}
}

// findSeams lists vertices that are welded to an earlier one and have another row.
func (k *Checker) findSeams() {
	f := k.garment.figure
	for v, w := range k.garment.welded.ToWelded {
		a := k.garment.first[w]
		if int(a) != v && f.Rows.DistanceL1(int(a), f.Rows, v) > 1e-4 {
			k.seams = append(k.seams, seam{a, int32(v)})
		}
	}
}

// Poses are the poses to be checked, in order; read-only.
func (k *Checker) Poses() []Pose { return k.poses }

// Posed returns where pose i of Poses puts every vertex of the garment and of the
// body: len(garment) and len(body) are the figures' own vertex numbers, metres,
// world frame. O(vertices).
func (k *Checker) Posed(i int) (garment, body []r3.Vec) {
	maps := k.skeleton.mapsOf(&k.poses[i])
	all := func(s *surface) []r3.Vec {
		d := s.deform(maps, -1, nil)
		out := make([]r3.Vec, s.figure.Mesh.NumVertices())
		for v := range out {
			out[v] = d.original(v)
		}
		return out
	}
	return all(k.garment), all(k.body)
}

// Limits in force.
func (k *Checker) Limits() Limits { return k.limits }

// Result of one pose.
type Result struct {
	Pose     Pose      `json:"pose"`
	Measures Measures  `json:"measures"`
	Findings []Finding `json:"findings,omitempty"`
	Notes    []Finding `json:"notes,omitempty"`

	dived []dived
}

// Report of a whole check.
type Report struct {
	Body     string `json:"body"`
	Garment  string `json:"garment"`
	Vertices int    `json:"vertices"`
	Poses    int    `json:"poses"`
	// Idle poses move all that they move as rigid pieces, body and garment alike.
	Idle   int    `json:"idle"`
	Limits Limits `json:"limits"`
	// Layers beneath the garment, inner to outer.
	Layers []LayerReport `json:"layers,omitempty"`
	// Findings and Notes, worst first.
	Findings []Finding `json:"findings"`
	Notes    []Finding `json:"notes"`
	// Remarks are sentences on the check itself.
	Remarks []string `json:"remarks,omitempty"`
}

// task is the poses of one joint, or one whole pose.
type task struct {
	joint      int
	start, end int // of Checker.poses
}

// Run checks all poses. each, where not nil, is given the result of every pose, in
// the order of Poses, from one goroutine; an error of it ends the run and is
// returned as it is. Run returns ctx's error within a few poses when cancelled.
// The same figures and plan give the same report whatever the number of threads.
//
// Cost: for each joint the vertices in its bend, times its poses.
func (k *Checker) Run(ctx context.Context, each func(Result) error) (*Report, error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var tasks []task
	for i := 0; i < len(k.poses); {
		e := i + 1
		for e < len(k.poses) && k.poses[i].root >= 0 && k.poses[e].root == k.poses[i].root {
			e++
		}
		tasks = append(tasks, task{k.poses[i].root, i, e})
		i = e
	}
	results := make([][]Result, len(tasks))
	idle := make([]bool, len(tasks))
	done := make([]chan struct{}, len(tasks))
	for i := range done {
		done[i] = make(chan struct{})
	}
	threads := k.threads
	if threads <= 0 {
		threads = runtime.GOMAXPROCS(0)
	}
	var next atomic.Int64
	var workers forkjoin.Group
	for range min(threads, len(tasks)) {
		workers.Go(func() {
			whole := false
			defer func() {
				if !whole {
					cancel() // a panic: nobody waits for what will not come
				}
			}()
			s := k.newScratch()
			s.ctx = ctx
			for {
				i := int(next.Add(1)) - 1
				if i >= len(tasks) || ctx.Err() != nil {
					whole = true
					return
				}
				results[i], idle[i] = s.task(ctx, tasks[i])
				if ctx.Err() != nil {
					whole = true
					return
				}
				close(done[i])
			}
		})
	}
	defer workers.Wait()
	defer cancel()

	r := &Report{
		Body: k.body.figure.Name, Garment: k.garment.figure.Name, Vertices: k.garment.figure.Mesh.NumVertices(),
		Poses: len(k.poses), Limits: k.limits, Remarks: slices.Clone(k.remarks), Findings: []Finding{}, Notes: []Finding{},
	}
	tally := k.newLayerTally()
	for i := range tasks {
		select {
		case <-ctx.Done():
			return nil, ctx.Err()
		case <-done[i]:
		}
		if idle[i] {
			r.Idle += len(results[i])
		}
		for _, x := range results[i] {
			r.Findings = append(r.Findings, x.Findings...)
			r.Notes = append(r.Notes, x.Notes...)
			tally.add(x.Pose.Name, x.dived)
			if each != nil {
				if err := each(x); err != nil {
					return nil, err
				}
			}
		}
		results[i] = nil
	}
	r.Notes = append(r.Notes, k.twistNotes(k.poses)...)
	r.Notes = append(r.Notes, k.influenceNotes(ctx, k.poses)...)
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	r.Layers = tally.report
	worstFirst(r.Findings)
	worstFirst(r.Notes)
	return r, nil
}

// task checks the poses of one task; idle says that they change nothing. A
// cancelled task returns early.
func (s *scratch) task(ctx context.Context, t task) (out []Result, idle bool) {
	poses := s.k.poses[t.start:t.end]
	a := s.k.newActive(t.joint)
	out = make([]Result, len(poses))
	for i := range poses {
		out[i].Pose = poses[i]
		out[i].Pose.changes, out[i].Pose.of = nil, nil
	}
	moves := false
	for i, l := range s.k.layers {
		s.under[i].begin(s.k, l, a)
		moves = moves || len(s.under[i].over) > 0
	}
	if a.idle() && !moves {
		return out, true
	}
	measures := make([]Measures, len(poses))
	for i := range poses {
		if ctx.Err() != nil {
			return nil, false
		}
		measures[i], out[i].Findings, out[i].Notes = s.pose(&poses[i], a)
		if ctx.Err() != nil {
			return nil, false
		}
		out[i].Measures, out[i].dived = measures[i], slices.Clone(s.dived)
	}
	s.reset(a)
	for i, l := range s.k.layers {
		s.under[i].end(l)
	}
	if t.joint >= 0 {
		notes := append(s.jointNotes(a, poses), s.k.volumeNote(a, poses, measures)...)
		out[len(out)-1].Notes = append(out[len(out)-1].Notes, notes...)
	}
	return out, false
}
