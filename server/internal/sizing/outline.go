// Package sizing tells what an asset will take before it is read, by the estimate
// that local runs of a wardrobe use too, and refuses what names anything outside.
package sizing

import (
	"bytes"
	"context"
	"fmt"

	"github.com/selvage/selvage/client/wardrobe/outline"
)

// Outline of an asset, and AssetError, what is wrong with one.
type (
	Outline    = outline.Outline
	AssetError = outline.Error
)

// JSONLength and ReadJSON are outline's.
var (
	JSONLength = outline.JSONLength
	ReadJSON   = outline.ReadJSON
)

// New reads the outline from an asset's JSON text. It refuses what names
// external files or addresses. It ends with ctx's error soon after ctx is done.
func New(ctx context.Context, text []byte, size int64) (Outline, error) {
	o, err := outline.New(ctx, text, size)
	if err == nil && len(o.External) > 0 {
		x := o.External[0]
		err = &AssetError{What: fmt.Sprintf("%s %d is an external file or address, which is not allowed here: put it inside the asset", x.Kind, x.Index)}
	}
	return o, err
}

// Of is New of an asset in memory.
func Of(data []byte) (Outline, error) {
	text, err := ReadJSON(bytes.NewReader(data), int64(len(data)), int64(len(data)))
	if err != nil {
		return Outline{}, err
	}
	return New(context.Background(), text, int64(len(data)))
}
