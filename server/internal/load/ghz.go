package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os/exec"
	"time"

	pb "github.com/selvage/selvage/api/selvage/v1"
	"github.com/selvage/selvage/client"
	"google.golang.org/protobuf/encoding/protojson"
)

// report is what is read of ghz's JSON.
type report struct {
	Count               int
	RPS                 float64
	LatencyDistribution []struct {
		Percentage int
		Latency    time.Duration
	}
	StatusCodeDistribution map[string]int
}

func (r *report) percentile(p int) time.Duration {
	for _, l := range r.LatencyDistribution {
		if l.Percentage == p {
			return l.Latency
		}
	}
	return 0
}

// throughput lets ghz call, with a bound on calls and on time.
func throughput(ctx context.Context, w io.Writer, binary string) error {
	in, err := newInputs(1)
	if err != nil {
		return err
	}
	p, err := launch(ctx, binary, "--queue", "256", "--queue-wait", "1m")
	if err != nil {
		return err
	}
	defer p.stop()
	c, err := client.Dial(ctx, p.address)
	if err != nil {
		return err
	}
	defer c.Close()
	body, err := c.Upload(ctx, client.NewAsset("body.glb", in.body))
	if err != nil {
		return err
	}
	fmt.Fprint(w, "ghz calls TransferAsset; body and garment are uploaded before:\n\n")
	fmt.Fprint(w, "| garment | vertices | callers | calls | calls/s | vertices/s | p50 ms | p99 ms | peak memory MiB |\n|---|--:|--:|--:|--:|--:|--:|--:|--:|\n")
	for _, x := range []struct {
		garment string
		callers int
		calls   int
	}{
		{"sou'wester", 1, 100}, {"sou'wester", 8, 400}, {"sou'wester", 200, 600}, {"gloves", 1, 40}, {"gloves", 8, 80}, {"oilskin coat", 4, 40},
	} {
		garment, n, err := in.garment(x.garment, 1)
		if err != nil {
			return err
		}
		// By name: ghz takes the bytes of a request for a template.
		asset, err := c.Upload(ctx, client.NewAsset("garment.glb", garment))
		if err != nil {
			return err
		}
		request, err := protojson.Marshal(&pb.TransferAssetRequest{
			Body:    &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: body.GetName()}},
			Garment: &pb.AssetSource{Source: &pb.AssetSource_Asset{Asset: asset.GetName()}},
		})
		if err != nil {
			return err
		}
		if err := p.resetPeak(); err != nil {
			return err
		}
		var stdout, stderr bytes.Buffer
		bounded, cancel := context.WithTimeout(ctx, 2*time.Minute)
		defer cancel()
		cmd := exec.CommandContext(bounded, "go", "tool", "-modfile=api/load.mod", "ghz", "--insecure",
			"--import-paths", "api", "--proto", "api/selvage/v1/service.proto", "--call", "selvage.v1.SelvageService.TransferAsset",
			"-d", string(request), "-c", fmt.Sprint(x.callers), "-n", fmt.Sprint(x.calls), "-t", "60s", "--format", "json", p.address)
		cmd.Stdout, cmd.Stderr = &stdout, &stderr
		if err := cmd.Run(); err != nil {
			return fmt.Errorf("ghz: %w\n%s%s", err, stdout.String(), stderr.String())
		}
		var r report
		if err := json.Unmarshal(stdout.Bytes(), &r); err != nil {
			return fmt.Errorf("ghz: %w", err)
		}
		if r.StatusCodeDistribution["OK"] != x.calls {
			return fmt.Errorf("%s with %d callers: %v, want %d OK", x.garment, x.callers, r.StatusCodeDistribution, x.calls)
		}
		peak, err := p.status("VmHWM")
		if err != nil {
			return err
		}
		ms := func(d time.Duration) float64 { return d.Seconds() * 1000 }
		fmt.Fprintf(w, "| %s | %d | %d | %d | %.1f | %.0f | %.0f | %.0f | %d |\n",
			x.garment, n, x.callers, r.Count, r.RPS, r.RPS*float64(n), ms(r.percentile(50)), ms(r.percentile(99)), peak>>10)
	}
	fmt.Fprintln(w)
	return nil
}
