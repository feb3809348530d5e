package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/selvage/selvage/transfer/crew"
)

// notHere are the lines of README's shell blocks that the test does not run, and why.
var notHere = map[string]string{
	"make demo": "the files below are those that it leaves in demo/try",
	"make test": "this is a part of it",
	"export PATH=$PWD/build:$PATH; cd demo/try":                                      "the test goes there by itself",
	"selvage batch crew/wardrobe.yaml --watch":                                       "goes on until it is stopped",
	"selvage check coat.weighted.glb --body body.glb --server 127.0.0.1:7411 --json": "needs a server",
	"selvage check out/coat.glb --body body.glb --png pictures/":                     "takes as long as ten others; TestCheck_Report draws them",
	"selvage serve": "goes on until it is stopped",
	"selvage transfer body.glb coat.glb -o coat.weighted.glb --server 127.0.0.1:7411": "needs a server",
	"selvage batch wardrobe.yaml --farm":                                              "needs a farm",
	"selvage work --nats tls://farm1:4222 --nats-creds w.creds --replicas 3":          "needs other machines",
	"selvage batch wardrobe.yaml --nats tls://farm1:4222 --nats-creds a.creds":        "needs other machines",
	"selvage batch wardrobe.yaml --nats tls://farm1:4222 --leave":                     "needs other machines",
	"selvage jobs; selvage job show JOB":                                              "needs a farm",
}

// complaints are what an example must not draw from the command: what it says of files
// that the example does not fit.
var complaints = regexp.MustCompile(`picks no vertex|no weights yet|nothing to lock|is even already|are even already|tidy already|loses \d+% of its weight|no joint (?:has|of)|matches no`)

// shellLines are the commands of README's indented blocks, in their order, without the
// remarks behind them. A block of shell begins with the name of a program.
func shellLines(t *testing.T, text string) (list []string) {
	t.Helper()
	program := regexp.MustCompile(`^(selvage|make|export|cd|cp|mkdir) `)
	remark := regexp.MustCompile(`\s+#.*$`)
	shell, before := false, ""
	for line := range strings.Lines(text) {
		code, indented := strings.CutPrefix(strings.TrimRight(line, "\n"), "    ")
		switch {
		case !indented:
			shell = false
		case program.MatchString(code):
			shell = shell || strings.TrimSpace(before) == ""
			if !shell {
				t.Errorf("a command amid something else: %s", code)
			}
			list = append(list, strings.TrimSpace(remark.ReplaceAllString(code, "")))
		case shell:
			t.Errorf("no command, in a block of commands: %s", code)
		}
		before = line
	}
	return list
}

// TestReadme: the examples of README run in their order on the files that the demo
// leaves for them, and fit these. The body is one of fewer vertices.
func TestReadme(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := crew.NewBodyAt("mate", 0.08).WriteExamples(dir); err != nil {
		t.Fatal(err)
	}
	shown, err := os.ReadFile(filepath.Join(dir, "joints.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	squeeze := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	if !strings.Contains(squeeze(string(text)), squeeze(string(shown))) {
		t.Error("the joint map in README is not the demo's")
	}
	lines := shellLines(t, string(text))
	for line := range notHere {
		if !slices.Contains(lines, line) {
			t.Errorf("README has no line %q any more", line)
		}
	}
	path := "PATH=" + filepath.Dir(command) + string(os.PathListSeparator) + os.Getenv("PATH")
	ran := 0
	for _, line := range lines {
		if notHere[line] != "" {
			continue
		}
		cmd := exec.Command("bash", "-c", line)
		cmd.Dir, cmd.Env = dir, append(os.Environ(), path)
		began := time.Now()
		out, err := cmd.CombinedOutput()
		t.Logf("%.2f s: %s", time.Since(began).Seconds(), line)
		status := cmd.ProcessState.ExitCode()
		switch worse := strings.Contains(line, "--strict") && status == exitStrict; {
		case err != nil && !worse:
			t.Errorf("%s: status %d\n%s", line, status, out)
		case complaints.Match(out):
			t.Errorf("%s: the example does not fit its files:\n%s", line, out)
		}
		ran++
	}
	if ran < 40 {
		t.Errorf("%d commands ran", ran)
	}
}
