package convert

import (
	"errors"
	"reflect"
	"testing"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/transfer/retouch"
)

// TestRetouch_RoundTripOfEveryField: nothing of a request or a summary is forgotten.
func TestRetouch_RoundTripOfEveryField(t *testing.T) {
	for _, name := range []string{"Fill", "Mirror", "Even", "Smooth", "Tidy"} {
		t.Run(name, func(t *testing.T) {
			// One operation, and one report, at a time.
			one := func(v reflect.Value) {
				var paths []string
				fill(v, name, new(int), &paths)
				for _, other := range []string{"Fill", "Mirror", "Even", "Smooth", "Tidy"} {
					if other != name {
						v.FieldByName(other).SetZero()
					}
				}
			}
			var r retouch.Request
			one(reflect.ValueOf(&r).Elem())
			if r.Mirror != nil {
				r.Mirror.Axis = 2
			}
			m, err := RetouchToProto(r)
			if err != nil {
				t.Fatal(err)
			}
			back, err := RetouchFromProto(m)
			if err != nil || !reflect.DeepEqual(r, back) {
				t.Errorf("%+v, %+v, %v", r, back, err)
			}
			var s retouch.Summary
			one(reflect.ValueOf(&s).Elem())
			if back := RetouchSummaryFromProto(RetouchSummaryToProto(&s)); !reflect.DeepEqual(&s, back) {
				t.Errorf("%+v, %+v", s, *back)
			}
		})
	}
}

func TestRetouchFromProto_Faults(t *testing.T) {
	for field, m := range map[string]*pb.RetouchAssetRequest{
		"operation":   {},
		"fill.energy": {Operation: &pb.RetouchAssetRequest_Fill{Fill: &pb.FillOperation{Energy: 9}}},
		"mirror.from": {Operation: &pb.RetouchAssetRequest_Mirror{Mirror: &pb.MirrorOperation{From: 9}}},
		"mirror.axis": {Operation: &pb.RetouchAssetRequest_Mirror{Mirror: &pb.MirrorOperation{Axis: -1}}},
	} {
		var fault *FieldError
		if _, err := RetouchFromProto(m); !errors.As(err, &fault) || fault.Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	if _, err := RetouchToProto(retouch.Request{Mirror: &retouch.MirrorOptions{Axis: 7}}); err == nil {
		t.Error("an axis that is none has a message")
	}
	// Missing values are the defaults.
	r, err := RetouchFromProto(&pb.RetouchAssetRequest{Operation: &pb.RetouchAssetRequest_Mirror{}})
	if err != nil || !reflect.DeepEqual(*r.Mirror, retouch.MirrorOptions{}) {
		t.Errorf("%+v, %v", r.Mirror, err)
	}
}
