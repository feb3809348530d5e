package client

import (
	"crypto/sha256"

	"github.com/selvage/selvage/transfer"
)

// Name of the asset in messages and summaries.
func (a *Asset) Name() string { return a.name }

// Bytes of the asset; read-only.
func (a *Asset) Bytes() []byte { return a.data }

// Sum is the SHA-256 of its bytes.
func (a *Asset) Sum() [sha256.Size]byte { return a.sum }

// NewResult is the result of a transfer to the garment that was computed
// elsewhere. Of the garment it keeps only what Save needs.
func NewResult(garment *Asset, glb []byte, s transfer.Summary) *Result {
	return &Result{GLB: glb, Summary: s, garment: garment.WithoutBytes()}
}

// WithoutBytes is the asset without its bytes, for NewResult.
func (a *Asset) WithoutBytes() *Asset {
	b := *a
	b.data = nil
	return &b
}
