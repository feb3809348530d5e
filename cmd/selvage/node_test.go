package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// nodeDir holds the scripts that run packages from outside this project.
const nodeDir = "../../testdata/node"

// node runs a script of nodeDir and returns what it prints.
func node(t testing.TB, script string, args ...string) []byte {
	t.Helper()
	if _, err := os.Stat(filepath.Join(nodeDir, "node_modules", "three")); err != nil {
		t.Fatalf("the node packages that this test checks against are missing: run make node (%v)", err)
	}
	var stderr bytes.Buffer
	cmd := exec.Command("node", append([]string{filepath.Join(nodeDir, script)}, args...)...)
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("node %s %s: %v\n%s", script, strings.Join(args, " "), err, stderr.String())
	}
	return out
}

// validate holds files against the standard's own validator (Khronos Group,
// glTF-Validator): no error and no warning.
func validate(t testing.TB, files ...string) {
	t.Helper()
	for _, line := range strings.Split(strings.TrimSpace(string(node(t, "validate.mjs", files...))), "\n") {
		var r struct {
			File             string
			Errors, Warnings int
			Messages         []string
		}
		if err := json.Unmarshal([]byte(line), &r); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if r.Errors+r.Warnings > 0 {
			t.Errorf("%s: %d errors, %d warnings: %s", filepath.Base(r.File), r.Errors, r.Warnings, strings.Join(r.Messages, "; "))
		}
	}
}
