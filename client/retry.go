package client

import (
	"context"
	"errors"
	"math/rand/v2"
	"strconv"
	"time"

	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/retouch"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Retry says how a call is tried again: after UNAVAILABLE, and after
// RESOURCE_EXHAUSTED where the server names a delay. All calls of this package
// may be repeated without harm.
type Retry struct {
	// Attempts in all. Zero: 6. One: no retry.
	Attempts int
	// First is the delay before the second attempt; it doubles each time, less a
	// random part of up to half. Zero: 100 ms.
	First time.Duration
	// Longest delay that is waited for, also where the server asks for more.
	// Zero: 10 s.
	Longest time.Duration
}

func (r Retry) withDefaults() Retry {
	if r.Attempts <= 0 {
		r.Attempts = 6
	}
	if r.First <= 0 {
		r.First = 100 * time.Millisecond
	}
	if r.Longest <= 0 {
		r.Longest = 10 * time.Second
	}
	return r
}

// attempt calls f until it succeeds, fails for good, or ctx ends.
func attempt[T any](ctx context.Context, r Retry, f func() (T, error)) (T, error) {
	delay := r.First
	for n := 1; ; n++ {
		out, err := f()
		if err == nil {
			return out, nil
		}
		var none T
		asked, again := retryable(err)
		if ctx.Err() != nil {
			return none, ctx.Err()
		}
		if !again || n >= r.Attempts {
			return none, known(err)
		}
		wait := min(max(delay, asked), r.Longest)
		// A random part keeps many clients from coming back at once.
		wait -= time.Duration(rand.Int64N(int64(wait)/2 + 1))
		if asked > 0 {
			wait = min(wait+asked/2, r.Longest)
		}
		if end, ok := ctx.Deadline(); ok && time.Until(end) < wait {
			return none, known(err)
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return none, ctx.Err()
		}
		delay = min(2*delay, r.Longest)
	}
}

// retryable reports whether trying again may help, and after what delay the
// server wants it.
func retryable(err error) (time.Duration, bool) {
	s, ok := status.FromError(err)
	if !ok {
		return 0, false
	}
	var asked time.Duration
	named := false
	for _, d := range s.Details() {
		if i, ok := d.(*errdetails.RetryInfo); ok {
			asked, named = i.GetRetryDelay().AsDuration(), true
		}
	}
	switch s.Code() {
	case codes.Unavailable:
		return asked, true
	case codes.ResourceExhausted:
		return asked, named
	}
	return 0, false
}

// known turns a status into the core's own error where it stands for one.
func known(err error) error {
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	for _, d := range s.Details() {
		i, ok := d.(*errdetails.ErrorInfo)
		m := i.GetMetadata()
		switch {
		case !ok:
		case i.GetReason() == "OPTION_INVALID":
			return &remoteError{err, &transfer.OptionError{Option: m["option"], Reason: m["why"]}}
		case i.GetReason() == "MIRROR_DOUBTFUL":
			e := &retouch.DoubtError{Asset: m["asset"]}
			var faults [3]error
			e.Doubtful, faults[0] = strconv.Atoi(m["doubtful"])
			e.Of, faults[1] = strconv.Atoi(m["of"])
			e.Far, faults[2] = strconv.ParseFloat(m["far"], 64)
			if errors.Join(faults[:]...) == nil {
				return &remoteError{err, e}
			}
		}
	}
	return err
}

// remoteError reads like the core's error and still has its gRPC status.
type remoteError struct {
	status error
	core   error
}

func (e *remoteError) Error() string   { return e.core.Error() }
func (e *remoteError) Unwrap() []error { return []error{e.core, e.status} }

// GRPCStatus lets the gRPC library find the status.
func (e *remoteError) GRPCStatus() *status.Status {
	var s interface{ GRPCStatus() *status.Status }
	if errors.As(e.status, &s) {
		return s.GRPCStatus()
	}
	return status.New(codes.Unknown, e.Error())
}
