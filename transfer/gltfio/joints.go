package gltfio

// JointNames are the names of the joints that Body's surface of the same selection has,
// in its order, without reading the meshes. Errors: *Error.
func (a *Asset) JointNames(sel Selection) ([]string, error) {
	picked, err := a.pick(sel, true)
	if err != nil {
		return nil, err
	}
	u, err := a.uniteSkins(picked)
	if err != nil || u == nil {
		return nil, err
	}
	out := make([]string, len(u.skin.Joints))
	for j := range out {
		out[j] = u.skin.Joints[j].Name
	}
	return out, nil
}
