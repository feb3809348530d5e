package main

import (
	"io"
	"reflect"
	"strings"
	"syscall"
	"testing"
)

// TestBatch_ServerWithoutFarm: a server that has no farm is told before anything else is
// done, with how to start one that has.
func TestBatch_ServerWithoutFarm(t *testing.T) {
	s := serve(t, nil)
	dir, file := coxWardrobe(t, coxPasses)
	before := folder(t, dir)
	for _, more := range [][]string{nil, {"--json"}, {"--leave"}} {
		o := selvage(t, append([]string{"batch", file, "--server", s.address}, more...)...)
		oneSentence(t, o) // and no table
		if o.status != exitFailed || !strings.Contains(o.stderr, "the server at "+s.address+" has no farm") || !strings.Contains(o.stderr, "selvage serve --farm") || !strings.Contains(o.stderr, "--nats") {
			t.Errorf("%v: status %d: %s", more, o.status, o.stderr)
		}
	}
	if !reflect.DeepEqual(folder(t, dir), before) {
		t.Error("something was written")
	}
	// Nothing was uploaded, as the server's log has it.
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	log, err := io.ReadAll(s.log)
	if err != nil || !strings.Contains(string(log), "GetServerInfo") || strings.Contains(string(log), "UploadAsset") || strings.Contains(string(log), "CreateJob") {
		t.Errorf("the log, %v: %s", err, log)
	}
}
