package server_test

// Clients that others wrote: @grpc/grpc-js from the .proto, grpcurl through
// reflection.

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/selvage/selvage/server"
	"github.com/selvage/selvage/transfer"
)

// TestNode runs the example of a client in another language.
func TestNode(t *testing.T) {
	const folder = "../testdata/node"
	if _, err := os.Stat(filepath.Join(folder, "node_modules", "@grpc", "grpc-js")); err != nil {
		t.Fatalf("the node packages that this test checks with are missing: run make node (%v)", err)
	}
	w := theWardrobe()
	s := start(t, server.Config{Admin: "127.0.0.1:0"})
	dir := t.TempDir()
	body := write(t, dir, "body.glb", w.body)
	const k = 3
	garment := write(t, dir, w.names[k], w.garments[k])
	want, r := w.local(t, k, transfer.AssetOptions{})
	for range 2 { // the second time the server has the body
		out := filepath.Join(dir, "out.glb")
		var stderr bytes.Buffer
		cmd := exec.CommandContext(t.Context(), "node", filepath.Join(folder, "transfer.mjs"), s.addr, body, garment, out)
		cmd.Stderr = &stderr
		text, err := cmd.Output()
		if err != nil {
			t.Fatalf("%v\n%s", err, stderr.String())
		}
		got, err := os.ReadFile(out)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("the file differs from that made in process, %v", err)
		}
		var summary struct {
			Garment                 string
			Vertices, LowConfidence int
		}
		if err := json.Unmarshal(text, &summary); err != nil || summary.Garment != w.names[k] ||
			summary.Vertices != r.Summary.Vertices || summary.LowConfidence != r.Summary.LowConfidence {
			t.Errorf("summary %s, %v", text, err)
		}
	}
	if v := metric(t, s, `selvage_uploads_total{result="stored"}`); v != "1" {
		t.Errorf("%s uploads, want 1", v)
	}
	// An error arrives as its code and message.
	cmd := exec.CommandContext(t.Context(), "node", filepath.Join(folder, "transfer.mjs"), s.addr, body, write(t, dir, "bad.glb", []byte("bad")), filepath.Join(dir, "bad.out"))
	text, err := cmd.CombinedOutput()
	if err == nil || !strings.Contains(string(text), "INVALID_ARGUMENT: the asset") {
		t.Errorf("%v: %s", err, text)
	}
	if _, err := os.Stat(filepath.Join(dir, "bad.out")); err == nil {
		t.Error("a failure left a file")
	}
}

// TestGrpcurl asks through reflection. The tool has a module file of its own;
// make service-check builds it and sets SELVAGE_TOOLS.
func TestGrpcurl(t *testing.T) {
	if os.Getenv("SELVAGE_TOOLS") == "" {
		t.Skip("SELVAGE_TOOLS is not set: make service-check runs this")
	}
	w := theWardrobe()
	s := start(t, server.Config{})
	run := func(request string, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "go", append([]string{"tool", "-modfile=api/tools.mod", "grpcurl", "-plaintext"}, args...)...)
		cmd.Dir = ".."
		cmd.Stdin = strings.NewReader(request)
		var stderr bytes.Buffer
		cmd.Stderr = &stderr
		out, err := cmd.Output()
		if err != nil {
			return fmt.Sprint(err, stderr.String())
		}
		return string(out)
	}
	if got := run("", s.addr, "list"); !strings.Contains(got, "selvage.v1.SelvageService") || !strings.Contains(got, "grpc.health.v1.Health") {
		t.Errorf("list: %s", got)
	}
	if got := run("", s.addr, "describe", "selvage.v1.Options"); !strings.Contains(got, "double reach = 1") {
		t.Errorf("describe: %s", got)
	}
	if got := run("", s.addr, "grpc.health.v1.Health/Check"); !strings.Contains(got, "SERVING") {
		t.Errorf("health: %s", got)
	}
	request, err := json.Marshal(map[string]any{"asset": map[string]string{"content": base64.StdEncoding.EncodeToString(w.garments[5]), "displayName": "hat.glb"}})
	if err != nil {
		t.Fatal(err)
	}
	var d struct {
		DisplayName string
		Meshes      []struct{ Vertices int }
	}
	got := run(string(request), "-d", "@", s.addr, "selvage.v1.SelvageService/InspectAsset")
	if err := json.Unmarshal([]byte(got), &d); err != nil || d.DisplayName != "hat.glb" || len(d.Meshes) == 0 || d.Meshes[0].Vertices == 0 {
		t.Errorf("inspect: %v: %s", err, got)
	}
	if got := run(`{"name":"assets/00"}`, "-d", "@", s.addr, "selvage.v1.SelvageService/GetAsset"); !strings.Contains(got, "InvalidArgument") || !strings.Contains(got, "FIELD_INVALID") {
		t.Errorf("an error: %s", got)
	}
}
