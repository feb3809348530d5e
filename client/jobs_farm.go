package client

import (
	"context"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// HasFarm asks whether the server has a farm. Errors: ctx's and those of the call, as
// when the farm cannot be reached.
func (j *Jobs) HasFarm(ctx context.Context) (bool, error) {
	_, err := attempt(ctx, j.c.retry, func() (*pb.ListJobsResponse, error) { return j.api.ListJobs(ctx, &pb.ListJobsRequest{PageSize: 1}) })
	if status.Code(err) == codes.Unimplemented {
		return false, nil
	}
	return err == nil, err
}
