package server

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"time"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

func TestStatusOf(t *testing.T) {
	for _, c := range []struct {
		name    string
		err     error
		code    codes.Code
		reason  string // of ErrorInfo
		message string // part of it
		check   func(t *testing.T, d []any)
	}{
		{"nil", nil, codes.OK, "", "", nil},
		{"field", &convert.FieldError{Field: "body.asset", What: "is odd"}, codes.InvalidArgument, "FIELD_INVALID", "body.asset: is odd", hasViolation("body.asset")},
		{"option", &transfer.OptionError{Option: "keep-joint", Reason: "no"}, codes.InvalidArgument, "OPTION_INVALID", "keep-joint", hasViolation("options.keep_joints")},
		{"option number", &transfer.OptionError{Option: "max-influences", Reason: "no"}, codes.InvalidArgument, "OPTION_INVALID", "", hasViolation("options.max_influences")},
		{"option name list", &transfer.OptionError{Option: "rigid", Reason: "no"}, codes.InvalidArgument, "OPTION_INVALID", "", hasViolation("options.rigid_names")},
		{"body without rows", &transfer.NoRowsError{Body: "b"}, codes.InvalidArgument, "BODY_WITHOUT_WEIGHTS", "usable weights", nil},
		{"asset", &gltfio.Error{File: "coat.glb", Where: "mesh 0", What: "is odd"}, codes.InvalidArgument, "ASSET_INVALID", "coat.glb: mesh 0", nil},
		{"outline", &sizing.AssetError{What: "is odd"}, codes.InvalidArgument, "ASSET_INVALID", "the asset is odd", nil},
		{"upload", &uploadError{"is odd"}, codes.InvalidArgument, "UPLOAD_INVALID", "is odd", nil},
		{"index", &mesh.IndexError{Triangle: 3, Vertex: 9, Vertices: 4}, codes.InvalidArgument, "MESH_INVALID", "triangle 3", nil},
		{"position", &mesh.PositionError{Vertex: 3}, codes.InvalidArgument, "MESH_INVALID", "vertex 3", nil},
		{"row", &weights.RowError{Vertex: 3, Reason: "is odd"}, codes.InvalidArgument, "ROWS_INVALID", "vertex 3", nil},
		{"not found", &notFoundError{"assets/00"}, codes.NotFound, "ASSET_NOT_FOUND", "assets/00", func(t *testing.T, d []any) {
			if r := find[*errdetails.ResourceInfo](d); r == nil || r.ResourceName != "assets/00" {
				t.Errorf("resource %v", r)
			}
		}},
		{"damaged", errDamaged, codes.DataLoss, "ASSET_DAMAGED", "damaged", nil},
		{"overload", &overloadError{3 * time.Second, "busy"}, codes.ResourceExhausted, "BUSY", "busy", func(t *testing.T, d []any) {
			if r := find[*errdetails.RetryInfo](d); r == nil || r.RetryDelay.AsDuration() != 3*time.Second {
				t.Errorf("retry %v", r)
			}
		}},
		{"limit", &limitError{"max_vertices", "too many"}, codes.ResourceExhausted, "OVER_LIMIT", "too many", func(t *testing.T, d []any) {
			if q := find[*errdetails.QuotaFailure](d); q == nil || q.Violations[0].Subject != "max_vertices" {
				t.Errorf("quota %v", q)
			}
			if find[*errdetails.RetryInfo](d) != nil {
				t.Error("asks to retry what can never fit")
			}
		}},
		{"token", &authError{"who are you"}, codes.Unauthenticated, "TOKEN_INVALID", "who are you", nil},
		{"stopping", errStopping, codes.Unavailable, "STOPPING", "stopping", nil},
		{"idle", errIdle, codes.DeadlineExceeded, "IDLE", "", nil},
		{"cancelled", context.Canceled, codes.Canceled, "", "", nil},
		{"deadline", context.DeadlineExceeded, codes.DeadlineExceeded, "", "", nil},
		{"of the library", status.Error(codes.Unimplemented, "no"), codes.Unimplemented, "", "no", nil},
		{"panic", panicError{}, codes.Internal, "INTERNAL", "internal error", nil},
		{"file", &fs.PathError{Op: "open", Path: "/secret/store", Err: fs.ErrPermission}, codes.Internal, "INTERNAL", "internal error", nil},
		{"anything", errors.New("/secret/store: is broken"), codes.Internal, "INTERNAL", "internal error", nil},
		{"long", &sizing.AssetError{What: strings.Repeat("é", 4000)}, codes.InvalidArgument, "ASSET_INVALID", "...", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, err := range []error{c.err, fmt.Errorf("garment %q: %w", "coat", c.err)} {
				if c.err == nil && err != nil {
					continue
				}
				s := statusOf(err)
				if s.Code() != c.code || !strings.Contains(s.Message(), c.message) {
					t.Fatalf("%v gives %v %q, want %v with %q", err, s.Code(), s.Message(), c.code, c.message)
				}
				if r := reasonOf(s); r != c.reason {
					t.Errorf("reason %q, want %q", r, c.reason)
				}
				if strings.Contains(s.Message(), "/secret") || len(s.Message()) > 600 {
					t.Errorf("message %q", s.Message())
				}
				if c.check != nil {
					c.check(t, s.Details())
				}
			}
		})
	}
}

func find[T any](details []any) (none T) {
	for _, d := range details {
		if x, ok := d.(T); ok {
			return x
		}
	}
	return none
}

func hasViolation(field string) func(t *testing.T, d []any) {
	return func(t *testing.T, d []any) {
		if b := find[*errdetails.BadRequest](d); b == nil || b.FieldViolations[0].Field != field {
			t.Errorf("violation %v, want field %s", b, field)
		}
	}
}
