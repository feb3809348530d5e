package server_test

import (
	"fmt"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
)

// bytesCodec sends bytes as they are in the place of messages.
type bytesCodec struct{}

func (bytesCodec) Marshal(v any) ([]byte, error) {
	b, ok := v.([]byte)
	if !ok {
		return nil, fmt.Errorf("%T is not bytes", v)
	}
	return b, nil
}

func (bytesCodec) Unmarshal(data []byte, v any) error {
	*v.(*[]byte) = append([]byte{}, data...)
	return nil
}

func (bytesCodec) Name() string { return "proto" }

func marshal(t testing.TB, m any) []byte {
	t.Helper()
	data, err := proto.Marshal(m.(proto.Message))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// reason is the reason in an error's details.
func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.GetReason()
		}
	}
	return ""
}
