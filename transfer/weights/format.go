package weights

// Format is how a file stores weights.
// Source: glTF 2.0 specification, section 3.7.3.3 (Skinned Mesh Attributes).
type Format int

const (
	// Float32 stores weights as 32-bit floats.
	Float32 Format = iota
	// Uint16 stores weights as normalised unsigned shorts, w = n / 65535.
	Uint16
	// Uint8 stores weights as normalised unsigned bytes, w = n / 255.
	Uint8
)
