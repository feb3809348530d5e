package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/selvage/selvage/api/convert"
	"github.com/selvage/selvage/client"
	"github.com/selvage/selvage/client/wardrobe"
	"github.com/selvage/selvage/transfer"
	"github.com/selvage/selvage/transfer/gltfio"
	"github.com/selvage/selvage/transfer/pass"
	"github.com/spf13/cobra"
)

func newMerge() *cobra.Command {
	var output, recordFile string
	var conflicts conflictFlags
	var joints jointFlags
	var lock, lockJoints []string
	var where remote
	var threads int
	var asJSON, quiet bool
	cmd := &cobra.Command{
		Use:   "merge RECORD CURRENT NEW",
		Short: "Carry work done by hand over to a new transfer's garment",
		Long: `Merge compares the garment that an artist worked on (CURRENT) with the record of
the pass that made it (RECORD, a file of transfer's --pass-dir), and writes the
garment of a new transfer (NEW) with the edits carried over. transfer --pass-dir
does the same in one step.

Garment and record go together: to write over the garment that RECORD is of, give
--record too, else it is refused.

Meshes, format and number of influences are those of the record's transfer. So is the
joint map unless --joint-map or --map-joint give the one that NEW was made with, and so
are the locks unless --lock or --lock-joint give others; what is locked keeps the weights
of CURRENT, and nothing around it blends to them.`,
		Example: `  selvage merge passes/coat.glb.pass weighted/coat.glb new/coat.glb -o weighted/coat.glb --record passes/coat.glb.pass`,
		Args:    exactArgs(3, "a record, the artist's garment and the new transfer's"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if output == "" {
				return usageError{errors.New("merge needs --output")}
			}
			if threads < 0 {
				return usageError{fmt.Errorf("--threads: %d is negative", threads)}
			}
			targets, err := outputs([]string{args[2]}, output)
			if err != nil {
				return err
			}
			if recordFile != "" {
				if err := checkFolders([]string{recordFile}); err != nil {
					return err
				}
			}
			if _, err := transfer.ParseLocks(lock); err != nil {
				return usageError{err}
			}
			if err := checkGlobs("lock-joint", lockJoints); err != nil {
				return err
			}
			in := pass.Input{Program: version(), Lock: lock, LockJoints: lockJoints}
			if err := conflicts.into(&in); err != nil {
				return err
			}
			if err := joints.into(&in.JointMap); err != nil {
				return err
			}
			merge := mergeHere
			if where.address != "" {
				merge = where.merge
			}
			owner, err := checkMerge(args[0], args[1], targets[0], recordFile)
			if err != nil {
				return err
			}
			out, err := merge(cmd.Context(), in, args, threads)
			if err != nil {
				return err
			}
			results := []savable{out.savable}
			if recordFile != "" {
				results, targets = append(results, finishedPage(out.record)), append(targets, recordFile)
			}
			if owner != nil {
				text, err := owner.Bytes()
				if err != nil {
					return err
				}
				results, targets = append(results, finishedPage(text)), append(targets, wardrobe.RecordOwnerFile(recordFile))
			}
			missing, err := saveAll(cmd.Context(), results, targets)
			if err != nil {
				return err
			}
			for _, m := range missing[0] {
				out.pass.Notes = append(out.pass.Notes, "the image "+m+" was not found beside the input; its reference was kept")
			}
			switch {
			case asJSON:
				return writeJSON(cmd.OutOrStdout(), out.pass)
			case !quiet:
				writePasses(cmd.OutOrStdout(), toldPasses(*out.pass))
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVarP(&output, "output", "o", "", "file to write (.glb or .gltf), or a folder")
	f.StringVar(&recordFile, "record", "", "record of the result to write as well, for the next pass")
	addConflictFlags(f, &conflicts)
	addJointFlags(f, &joints)
	f.StringArrayVar(&lock, "lock", nil, lockUsage)
	f.StringArrayVar(&lockJoints, "lock-joint", nil, lockJointUsage)
	addRemoteFlags(f, &where)
	f.IntVar(&threads, "threads", 0, "number of threads (0: all); the result does not depend on it")
	f.BoolVar(&asJSON, "json", false, "print the summary as JSON on standard output")
	f.BoolVarP(&quiet, "quiet", "q", false, "print errors alone")
	return cmd
}

// checkMerge refuses an output that would leave garment and record at odds, and returns
// whose the new record is, to be written beside it; nil: that is not known, or no record
// is asked for.
//
// Written over the garment that the record is of, with the record left as it was, the
// result would be held against the transfer before it: the next pass would take what
// the new one moved for the artist's work, and carry it over as well.
func checkMerge(record, current, target, recordFile string) (*wardrobe.RecordOwner, error) {
	owner := wardrobe.ReadRecordOwner(record)
	if recordFile == "" {
		if isSameFile(current, target) || owner != nil && (isSameFile(owner.OutputFile(record), target) || wardrobe.OwnerOfRecord(record, target, nil).Output == owner.Output) {
			return nil, usageError{fmt.Errorf("%s is the garment that %s is of, and the next pass would take what the new transfer moved in it for edits: give --record %s too, or another --output", target, record, record)}
		}
		return nil, nil
	}
	if there := wardrobe.ReadRecordOwner(recordFile); there != nil && !there.Owns(recordFile, target) {
		return nil, fmt.Errorf("%s is the pass record of %s and not of %s: give --record another file", recordFile, there.OutputFile(recordFile), target)
	}
	if owner == nil {
		return nil, nil // which meshes the body is, is not known
	}
	mine := wardrobe.OwnerOfRecord(recordFile, target, owner.Body)
	return &mine, nil
}

// mergeHere merges the files of a record, the artist's garment and the new one.
func mergeHere(ctx context.Context, in pass.Input, files []string, threads int) (*finished, error) {
	var err error
	if in.Record, _, err = readRecord(files[0]); err != nil {
		return nil, err
	}
	in.OfRecord(threads)
	if in.Current, err = gltfio.Open(files[1], gltfio.Options{AllowExternal: true}); err != nil {
		return nil, err
	}
	if in.New, err = gltfio.Open(files[2], gltfio.Options{AllowExternal: true}); err != nil {
		return nil, err
	}
	out, err := pass.RunFiles(ctx, in)
	if err != nil {
		return nil, err
	}
	packed, err := convert.PackPass(out.Record)
	return &finished{savable: out.Asset, record: packed, pass: &out.Summary}, err
}

// merge lets the server do what mergeHere does.
func (r *remote) merge(ctx context.Context, in pass.Input, files []string, threads int) (*finished, error) {
	_, record, err := readRecord(files[0])
	if err != nil {
		return nil, err
	}
	current, err := client.OpenAsset(files[1])
	if err != nil {
		return nil, err
	}
	fresh, err := client.OpenAsset(files[2])
	if err != nil {
		return nil, err
	}
	c, err := r.dial(ctx)
	if err != nil {
		return nil, err
	}
	defer c.Close()
	out, err := c.Merge(ctx, client.MergeRequest{
		Record: record, Current: current, Fresh: fresh, Policy: in.Policy, Lock: in.Lock, LockJoints: in.LockJoints, JointMap: in.JointMap, Threads: threads,
	})
	if err != nil {
		return nil, r.explain(err)
	}
	return &finished{savable: out, record: out.Record, pass: out.Pass}, nil
}
