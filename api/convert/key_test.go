package convert

import (
	"crypto/sha256"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
)

func TestWorkKey_EveryPartCounts(t *testing.T) {
	body, garment := sha256.Sum256([]byte("body")), sha256.Sum256([]byte("garment"))
	key := func(b, g [32]byte, names []string, o *pb.Options, version string) string {
		t.Helper()
		k, err := WorkKey(b, g, names, o, version)
		if err != nil {
			t.Fatal(err)
		}
		return k
	}
	base := key(body, garment, nil, nil, "v1")
	seen := map[string]string{base: "base"}
	for name, k := range map[string]string{
		"body and garment swapped": key(garment, body, nil, nil, "v1"),
		"one name":                 key(body, garment, []string{"ab"}, nil, "v1"),
		"the name cut in two":      key(body, garment, []string{"a", "b"}, nil, "v1"),
		"an empty name":            key(body, garment, []string{""}, nil, "v1"),
		"an option":                key(body, garment, nil, &pb.Options{Reach: 0.2}, "v1"),
		"a list option":            key(body, garment, nil, &pb.Options{DenyJoints: []string{"ab"}}, "v1"),
		"the version":              key(body, garment, nil, nil, "v2"),
	} {
		if other, ok := seen[k]; ok {
			t.Errorf("%s and %s have the same key", name, other)
		}
		seen[k] = name
	}
	o := &pb.Options{Threads: 3}
	if key(body, garment, nil, o, "v1") != base {
		t.Error("the number of threads changes the key")
	}
	if o.Threads != 3 {
		t.Error("the caller's options were changed")
	}
}
