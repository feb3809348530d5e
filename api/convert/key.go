package convert

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "github.com/selvage/selvage/api/selvage/v1"
)

// WorkKey names the result of one transfer by its content: 64 lower-case
// hexadecimal digits, the SHA-256 of everything that decides the result's bytes.
// body and garment are the SHA-256 of the two assets' bytes, bodyNames the globs
// that pick the body's meshes in their order, version the identity of the
// program. The number of threads is left out: no result depends on it. A nil
// message counts as an empty one.
//
// Every part goes in with its length before it, so that no two lists of parts
// can run together into the same bytes.
func WorkKey(body, garment [sha256.Size]byte, bodyNames []string, options *pb.Options, version string) (string, error) {
	o := &pb.Options{}
	if options != nil {
		o = proto.Clone(options).(*pb.Options)
	}
	o.Threads = 0
	packed, err := proto.MarshalOptions{Deterministic: true}.Marshal(o)
	if err != nil {
		return "", fmt.Errorf("pack options: %w", err)
	}
	h := sha256.New()
	part := func(b []byte) {
		var n [8]byte
		binary.LittleEndian.PutUint64(n[:], uint64(len(b)))
		h.Write(n[:])
		h.Write(b)
	}
	part([]byte("selvage work 1"))
	part([]byte(version))
	part(body[:])
	part(garment[:])
	part(packed)
	for _, name := range bodyNames {
		part([]byte(name))
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// TaskKey is the WorkKey of a job's task: with a pass or layers also all that they
// start from, where the names that messages have are left out.
func TaskKey(t *pb.JobTask, version string) (string, error) {
	key, err := WorkKey([sha256.Size]byte(t.GetBodySha256()), [sha256.Size]byte(t.GetGarmentSha256()), t.GetBodyNames(), t.GetOptions(), version)
	if err != nil || t.GetPass() == nil && len(t.GetLayers()) == 0 {
		return key, err
	}
	more := &pb.JobTask{Pass: t.GetPass()}
	if t.GetPass() != nil {
		more.GarmentDisplayName = t.GetGarmentDisplayName() // the record has it, and rules for conflicts go by it
	}
	for _, l := range t.GetLayers() {
		more.Layers = append(more.Layers, &pb.JobLayer{Sha256: l.GetSha256()})
	}
	packed, err := proto.MarshalOptions{Deterministic: true}.Marshal(more)
	if err != nil {
		return "", fmt.Errorf("pack the pass: %w", err)
	}
	h := sha256.New()
	for _, b := range [][]byte{[]byte("selvage task 1"), []byte(key), packed} {
		var n [8]byte
		binary.LittleEndian.PutUint64(n[:], uint64(len(b)))
		h.Write(n[:])
		h.Write(b)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}
