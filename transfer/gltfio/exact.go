package gltfio

import "github.com/selvage/selvage/transfer/weights"

// ExactRows are s.Rows with the numbers that the file has, bit for bit, wherever
// those are legal as the file stores them and name no joint twice; s was read from
// this asset by Garment or Body. Rows that were mended stay so. Nil where s has none.
func (a *Asset) ExactRows(s *Surface) (*weights.Rows, error) {
	if s.Rows == nil {
		return nil, nil
	}
	at := make(map[int]uint16, len(s.JointNode))
	for j, node := range s.JointNode {
		at[node] = uint16(j)
	}
	out, acc := weights.NewRows(s.Rows.Len()), weights.NewAccumulator(len(s.JointNode))
	row := weights.NewRows(1)
	for _, p := range s.Parts {
		skin := a.doc.Nodes[p.NodeIndex].Skin
		if skin == nil {
			for v := p.Start; v < p.End; v++ {
				out.Append(s.Rows.Row(v))
			}
			continue
		}
		index := make([]uint16, len(a.doc.Skins[*skin].Joints))
		for k, node := range a.doc.Skins[*skin].Joints {
			index[k] = at[node]
		}
		stored, err := a.storedRows(primitiveRef{p.NodeIndex, p.MeshIndex, p.PrimitiveIndex}, p.End-p.Start, index)
		if err != nil {
			return nil, err
		}
		width := 4 * stored.Sets
		for v := p.Start; v < p.End; v++ {
			if a.done(v) {
				return nil, a.ctx.Err()
			}
			joint, weight := stored.Joint[width*(v-p.Start):][:width], stored.Weight[width*(v-p.Start):][:width]
			exact := !stored.Mixed && stored.Format.CheckStored(v, weight) == nil
			for k, w := range weight {
				if j, ok := stored.SurfaceJoint(joint[k]); ok && exact && w > 0 {
					acc.Add(j, w)
				}
			}
			row.Start, row.Joint, row.Weight = row.Start[:1], row.Joint[:0], row.Weight[:0]
			acc.Flush(row)
			if j, w := row.Row(0); exact && len(j) > 0 {
				out.Append(j, w)
			} else {
				out.Append(s.Rows.Row(v))
			}
		}
	}
	return out, nil
}
