package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sameFile holds two files against each other.
func sameFile(t *testing.T, what, a, b string, want bool) {
	t.Helper()
	x, err := os.ReadFile(a)
	if err != nil {
		t.Fatal(err)
	}
	y, err := os.ReadFile(b)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Equal(x, y) != want {
		t.Errorf("%s: %s and %s: same bytes: %v", what, a, b, !want)
	}
}

// TestLayers_TransferAndCheck: garments of one call over one another, in the order
// given and in the order found; one by one over files; on a server; and what the check
// says of them.
func TestLayers_TransferAndCheck(t *testing.T) {
	dir := t.TempDir()
	in := func(folder, name string) string { return filepath.Join(dir, folder, name+".glb") }
	server := serve(t, nil)
	const jersey, trousers, coat = "jersey", "bib-trousers", "oilskin-coat"
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "given"), "--layers", "given", "-q")
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "off"), "-q")
	must(t, "transfer", cox("body"), cox(jersey), cox(trousers), cox(coat), "-o", filepath.Join(dir, "alone"), "--layers", "off", "-q")
	found := must(t, "transfer", cox("body"), cox(coat), cox(trousers), cox(jersey), "-o", filepath.Join(dir, "found"), "--layers", "found")
	there := must(t, "transfer", cox("body"), cox(coat), cox(trousers), cox(jersey), "-o", filepath.Join(dir, "there"), "--layers", "found", "--json", "--server", server.address)
	must(t, "transfer", cox("body"), cox(coat), "-o", in("", "one"), "--layer", in("given", jersey), "--layer", in("given", trousers), "-q")
	must(t, "transfer", cox("body"), cox(coat), "-o", in("", "one-there"), "--layer", in("given", jersey), "--layer", in("given", trousers), "-q", "--server", server.address)
	for _, name := range []string{jersey, trousers, coat} {
		sameFile(t, "found", in("given", name), in("found", name), true)
		sameFile(t, "on a server", in("given", name), in("there", name), true)
		sameFile(t, "off", in("off", name), in("alone", name), true)
	}
	sameFile(t, "the innermost", in("given", jersey), in("off", jersey), true)
	sameFile(t, "the outermost", in("given", coat), in("off", coat), false)
	sameFile(t, "one by one", in("given", coat), in("", "one"), true)
	sameFile(t, "one by one on a server", in("given", coat), in("", "one-there"), true)
	if !strings.Contains(found.stdout, "oilskin-coat.glb: taken from: body.glb ") || !strings.Contains(found.stdout, ", jersey.glb ") {
		t.Errorf("the summary does not say what was taken from where:\n%s", found.stdout)
	}
	var summaries []struct {
		Garment   string
		TakenFrom []struct {
			Name     string
			Vertices int
		}
	}
	if err := json.Unmarshal([]byte(there.stdout), &summaries); err != nil {
		t.Fatal(err)
	}
	if len(summaries) != 3 || summaries[0].Garment != "oilskin-coat.glb" || len(summaries[0].TakenFrom) != 3 || summaries[2].TakenFrom != nil {
		t.Errorf("summaries %+v", summaries)
	}

	args := []string{"check", in("given", coat), "--body", cox("body"), "--layer", in("given", jersey), "--layer", in("given", trousers)}
	text := must(t, append(args, "--top", "3")...)
	if !strings.Contains(text.stdout, "over jersey.glb: ") || !strings.Contains(text.stdout, "over bib-trousers.glb: ") {
		t.Errorf("the check does not tell of layers:\n%s", text.stdout)
	}
	here, remote := must(t, append(args, "--json")...), must(t, append(args, "--json", "--server", server.address)...)
	var report struct {
		Layers []struct {
			Layer       string
			Over, Cases int
		}
	}
	if err := json.Unmarshal([]byte(here.stdout), &report); err != nil {
		t.Fatal(err)
	}
	if here.stdout != remote.stdout || len(report.Layers) != 2 || report.Layers[0].Layer != "jersey.glb" || report.Layers[0].Over == 0 {
		t.Errorf("layers of the report: %+v; same on the server: %v", report.Layers, here.stdout == remote.stdout)
	}

	for _, c := range []struct {
		name, want string
		status     int
		args       []string
	}{
		{"word", "none of", exitUsage, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layers", "some"}},
		{"no file", "nowhere.glb", exitFailed, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", "nowhere.glb"}},
		{"unweighted", "jersey.glb", exitFailed, []string{"transfer", cox("body"), cox(coat), "-o", in("", "x"), "--layer", cox(jersey)}},
		{"check, no file", "nowhere.glb", exitFailed, []string{"check", in("given", coat), "--body", cox("body"), "--layer", "nowhere.glb"}},
		{"check, unweighted", "jersey.glb", exitFailed, []string{"check", in("given", coat), "--body", cox("body"), "--layer", cox(jersey)}},
	} {
		o := selvage(t, c.args...)
		if o.status != c.status || !strings.Contains(o.stderr, c.want) {
			t.Errorf("%s: status %d, %q", c.name, o.status, o.stderr)
		}
		if _, err := os.Stat(in("", "x")); err == nil {
			t.Errorf("%s: it wrote a file", c.name)
		}
	}
}
