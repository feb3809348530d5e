// Package threejs lets tests hold positions against three.js (npm three, MIT), an
// independent reader and skinner of glTF, run in node by testdata/node/skin.mjs. Tests
// of packages two folders below the module's root use it.
package threejs

import (
	"encoding/json"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"
)

// Tolerance of positions, as a share of the model's size: float32 attributes and
// matrices on the other side, and quaternions that three.js takes as they are.
const Tolerance = 1e-5

// file returns a path under testdata/node; without the installed packages the check
// cannot be made, which is a failure except in short mode.
func file(t testing.TB, elem ...string) string {
	t.Helper()
	if testing.Short() {
		t.Skip("short mode: no checks against npm packages")
	}
	name, err := filepath.Abs(filepath.Join(append([]string{"../../testdata/node"}, elem...)...))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(name); err != nil {
		t.Fatalf("%s is not installed; run make node", filepath.Join(elem...))
	}
	return name
}

// Hand is the file of a rigged hand, "left" or "right", of npm
// @webxr-input-profiles/assets (MIT).
func Hand(t testing.TB, side string) string {
	t.Helper()
	return file(t, "node_modules", "@webxr-input-profiles", "assets", "dist", "profiles", "generic-hand", side+".glb")
}

// Turn is the turn of one joint, from the left of its own rotation. The zero Turn
// turns nothing.
type Turn struct {
	Joint string
	Axis  r3.Vec  // in the frame of the joint's parent
	Angle float64 // radians
}

// Key of a primitive: indices of its mesh and of itself in it.
type Key struct{ Mesh, Primitive int }

// Positions returns the world positions that three.js gives each primitive of a file.
func Positions(t testing.TB, name string, by Turn) map[Key][]r3.Vec {
	t.Helper()
	file(t, "node_modules", "three")
	args := []string{file(t, "skin.mjs"), name, "-"}
	if by.Joint != "" {
		q := r3.Scale(math.Sin(by.Angle/2), r3.Unit(by.Axis))
		args[2] = by.Joint
		for _, x := range []float64{q.X, q.Y, q.Z, math.Cos(by.Angle / 2)} {
			args = append(args, strconv.FormatFloat(x, 'g', -1, 64))
		}
	}
	text, err := exec.Command("node", args...).Output()
	if err != nil {
		var detail []byte
		if e, ok := err.(*exec.ExitError); ok {
			detail = e.Stderr
		}
		t.Fatalf("three.js on %s: %v: %s", name, err, detail)
	}
	var list []struct {
		Mesh, Primitive int
		Positions       []float64
	}
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatalf("three.js on %s said %.200q: %v", name, text, err)
	}
	out := map[Key][]r3.Vec{}
	for _, m := range list {
		p := make([]r3.Vec, len(m.Positions)/3)
		for v := range p {
			p[v] = r3.Vec{X: m.Positions[3*v], Y: m.Positions[3*v+1], Z: m.Positions[3*v+2]}
		}
		out[Key{m.Mesh, m.Primitive}] = p
	}
	return out
}
