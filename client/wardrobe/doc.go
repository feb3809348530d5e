// Package wardrobe gives the garments of one or several bodies their weights, as
// one YAML manifest lists them, and does again only what has changed.
//
// The data's way, one file a step:
//
//	manifest.go   Read: YAML to Manifest, every fault with its line and column
//	plan.go       Manifest.Plan: globs to files, files to hashes, a Task for every
//	              body and garment with the key of its result
//	shard.go      a part of the tasks, chosen by key
//	run.go        Runner: what is up to date is skipped, the rest goes to an Executor;
//	              every finished garment is saved and recorded at once
//	local.go      Local: the executor that computes here, within memory and threads
//	state.go      what was written, beside the outputs
//	report.go     the wardrobe's HTML page
//	watch.go      Watch: run again what a saved file touches
//	init.go       Init: a manifest made of a folder
//
// Other executors (a server, a farm) implement [Executor] elsewhere.
package wardrobe
