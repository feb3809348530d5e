package client_test

import (
	"context"
	"fmt"
	"log"
	"time"

	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/transfer"
)

// A step of a pipeline: after a body pass all garments follow again.
func Example() {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	c, err := client.Dial(ctx, "127.0.0.1:7411") // client.WithTLS, client.WithToken
	if err != nil {
		log.Fatal(err)
	}
	defer c.Close()
	body, err := client.OpenAsset("body.glb")
	if err != nil {
		log.Fatal(err)
	}
	for _, name := range []string{"oilskin-coat", "sea-boots"} {
		garment, err := client.OpenAsset(name + ".glb")
		if err != nil {
			log.Fatal(err)
		}
		// The body is sent once; the server keeps it prepared.
		r, err := c.Transfer(ctx, client.Request{Body: body, Garment: garment, Options: transfer.AssetOptions{
			Options: transfer.Options{Progress: func(s transfer.Stage, done float64) { fmt.Printf("%s: %s %3.0f%%\n", name, s, 100*done) }},
		}})
		if err != nil {
			log.Fatal(err)
		}
		if _, err := r.Save(name + ".weighted.glb"); err != nil {
			log.Fatal(err)
		}
		fmt.Println(name, r.Summary.LowConfidence, "vertices to look at")
	}
}
