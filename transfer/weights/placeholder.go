package weights

// Temporary, until the real Finish lands. Delete this file then.

type FinishOptions struct {
	MaxInfluences int
	PruneBelow    float64
	Format        Format
	Threads       int
}

func Finish(r *Rows, o FinishOptions) (*Rows, []float32, error) {
	return r, make([]float32, r.Len()), nil
}

func RestrictJoints(r *Rows, names []string, parents []int32, allow, deny []string) (*Rows, error) {
	return r, nil
}
