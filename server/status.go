package server

// Status: every error becomes a code here and nowhere else.

import (
	"context"
	"errors"
	"strconv"
	"strings"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/server/farm"
	"github.com/selvage/selvage/server/internal/sizing"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/mesh"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/selvage/selvage/transfer/retouch"
	"github.com/selvage/selvage/transfer/weights"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"
)

// errorDomain of google.rpc.ErrorInfo.
const errorDomain = "selvage"

var (
	// errStopping ends the calls that outlive the grace period.
	errStopping = errors.New("the server is stopping")
	// errIdle ends a call whose client neither sends nor reads.
	errIdle = errors.New("the client neither sent nor read for too long")
)

// statusOf returns the status that a client may see of err: no path, no stack,
// nothing of errors that are not listed here.
func statusOf(err error) *status.Status {
	var (
		field    *convert.FieldError
		option   *transfer.OptionError
		noRows   *transfer.NoRowsError
		asset    *gltfio.Error
		outline  *sizing.AssetError
		upload   *uploadError
		index    *mesh.IndexError
		position *mesh.PositionError
		row      *weights.RowError
		record   *pass.RecordError
		missing  *notFoundError
		over     *overloadError
		limit    *limitError
		denied   *authError
		doubt    *retouch.DoubtError
		noJob    *farm.NotFoundError
		noAssets *farm.MissingAssetsError
	)
	switch {
	case err == nil:
		return status.New(codes.OK, "")
	case errors.Is(err, errStopping):
		return with(codes.Unavailable, err.Error(), info("STOPPING"))
	case errors.Is(err, errIdle):
		return with(codes.DeadlineExceeded, err.Error(), info("IDLE"))
	case errors.As(err, &field):
		return with(codes.InvalidArgument, field.Error(), info("FIELD_INVALID"), violation(field.Field, field.What))
	case errors.As(err, &option):
		about := info("OPTION_INVALID") // the core's own error, for clients that know it
		about.Metadata = map[string]string{"option": clip(option.Option), "why": clip(option.Reason)}
		return with(codes.InvalidArgument, option.Error(), about, violation(optionField(option.Option), option.Reason))
	case errors.As(err, &noRows):
		return with(codes.InvalidArgument, noRows.Error(), info("BODY_WITHOUT_WEIGHTS"))
	case errors.As(err, &doubt):
		about := info("MIRROR_DOUBTFUL")
		about.Metadata = map[string]string{"asset": clip(doubt.Asset), "doubtful": strconv.Itoa(doubt.Doubtful), "of": strconv.Itoa(doubt.Of), "far": strconv.FormatFloat(doubt.Far, 'g', -1, 64)}
		return with(codes.InvalidArgument, doubt.Error()+": say where the mirror's plane is or which joints are pairs, or allow what is doubtful", about)
	case errors.As(err, &asset):
		return with(codes.InvalidArgument, asset.Error(), info("ASSET_INVALID"))
	case errors.As(err, &outline):
		return with(codes.InvalidArgument, "the asset "+outline.Error(), info("ASSET_INVALID"))
	case errors.As(err, &upload):
		return with(codes.InvalidArgument, "upload: "+upload.Error(), info("UPLOAD_INVALID"))
	case errors.As(err, &index):
		return with(codes.InvalidArgument, index.Error(), info("MESH_INVALID"))
	case errors.As(err, &position):
		return with(codes.InvalidArgument, position.Error(), info("MESH_INVALID"))
	case errors.As(err, &row):
		return with(codes.InvalidArgument, row.Error(), info("ROWS_INVALID"))
	case errors.As(err, &record):
		return with(codes.InvalidArgument, record.Error(), info("RECORD_INVALID"))
	case errors.As(err, &missing):
		return with(codes.NotFound, missing.Error(), info("ASSET_NOT_FOUND"),
			&errdetails.ResourceInfo{ResourceType: "Asset", ResourceName: missing.name, Description: missing.Error()})
	case errors.Is(err, errDamaged):
		return with(codes.DataLoss, errDamaged.Error(), info("ASSET_DAMAGED"))
	case errors.As(err, &over):
		return with(codes.ResourceExhausted, over.Error(), info("BUSY"), &errdetails.RetryInfo{RetryDelay: durationpb.New(over.retry)})
	case errors.As(err, &limit):
		return with(codes.ResourceExhausted, limit.Error(), info("OVER_LIMIT"),
			&errdetails.QuotaFailure{Violations: []*errdetails.QuotaFailure_Violation{{Subject: limit.subject, Description: limit.what}}})
	case errors.As(err, &noJob):
		return with(codes.NotFound, noJob.Error(), info("JOB_NOT_FOUND"),
			&errdetails.ResourceInfo{ResourceType: "Job", ResourceName: noJob.Name, Description: noJob.Error()})
	case errors.As(err, &noAssets):
		details := []protoadapt.MessageV1{info("ASSET_NOT_FOUND")}
		for _, sum := range noAssets.Sums[:min(len(noAssets.Sums), mostNamed)] {
			details = append(details, &errdetails.ResourceInfo{ResourceType: "Asset", ResourceName: assetName(sum)})
		}
		return with(codes.NotFound, noAssets.Error(), details...)
	case errors.Is(err, farm.ErrEnded):
		return with(codes.FailedPrecondition, err.Error(), info("JOB_ENDED"))
	case errors.Is(err, farm.ErrQueueFull):
		return with(codes.ResourceExhausted, farm.ErrQueueFull.Error(), info("BUSY"), &errdetails.RetryInfo{RetryDelay: durationpb.New(storeRetry)})
	case errors.As(err, &denied):
		return with(codes.Unauthenticated, denied.Error(), info("TOKEN_INVALID"))
	case errors.Is(err, context.DeadlineExceeded):
		return status.New(codes.DeadlineExceeded, "the deadline has passed")
	case errors.Is(err, context.Canceled):
		return status.New(codes.Canceled, "the call was cancelled")
	}
	// What the gRPC library itself found (a message over the limit, say) has its
	// status already.
	if s, ok := status.FromError(err); ok && s.Code() != codes.Unknown && s.Code() != codes.OK {
		return s
	}
	return with(codes.Internal, "internal error; the server's log has it under this call's request id", info("INTERNAL"))
}

// mostNamed assets of a job that are missing: a status travels in headers.
const mostNamed = 32

func with(code codes.Code, message string, details ...protoadapt.MessageV1) *status.Status {
	s := status.New(code, clip(message))
	if d, err := s.WithDetails(details...); err == nil {
		return d
	}
	return s
}

// clip bounds a message, which travels in a header, and makes it valid UTF-8.
func clip(s string) string {
	const most = 500
	if len(s) > most {
		s = s[:most] + "..."
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}

func info(reason string) *errdetails.ErrorInfo {
	return &errdetails.ErrorInfo{Reason: reason, Domain: errorDomain}
}

func violation(field, what string) *errdetails.BadRequest {
	return &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: field, Description: clip(what)}}}
}

// optionField is the message's field of an option: flags and fields differ in a
// few names.
func optionField(option string) string {
	switch option {
	case "layer":
		return "layers"
	case "rigid", "loose", "garment":
		option += "_names"
	case "keep-joint", "allow-joint", "deny-joint", "lock-joint":
		option += "s"
	}
	return "options." + strings.ReplaceAll(option, "-", "_")
}
