package server

import (
	"errors"
	"testing"

	"github.com/selvage/selvage/transfer/pose"
	"google.golang.org/grpc/codes"
)

// A check that finds far too much ends as over the limit.
func TestTally(t *testing.T) {
	var n tally
	r := pose.Result{Findings: make([]pose.Finding, 3), Notes: make([]pose.Finding, 7)}
	for range maxFindings / 10 {
		if err := n.add(&r); err != nil {
			t.Fatal(err)
		}
	}
	err := n.add(&pose.Result{Notes: make([]pose.Finding, 1)})
	var over *limitError
	if !errors.As(err, &over) || statusOf(checkFault(err)).Code() != codes.ResourceExhausted {
		t.Errorf("after %d findings: %v", n, err)
	}
}
