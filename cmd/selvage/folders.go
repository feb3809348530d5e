package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"github.com/selvage/selvage/client/wardrobe"
)

// checkFolders returns an error for a target whose folder neither is there nor can be
// made, because a file is in the way: that is to show before the work is done.
func checkFolders(targets []string) error {
	for _, target := range targets {
		if file := inTheWay(filepath.Dir(target)); file != "" {
			return fmt.Errorf("write %s: %s is a file", target, file)
		}
	}
	return nil
}

// inTheWay is the file for which a folder cannot be made; empty: there is none.
func inTheWay(dir string) string {
	for ; ; dir = filepath.Dir(dir) {
		info, err := os.Stat(dir)
		switch {
		case err == nil && !info.IsDir():
			return dir
		case err == nil || dir == filepath.Dir(dir):
			return ""
		}
	}
}

// makeFolders makes the targets' folders where they are missing, and returns what it has
// made, the outer ones first.
func makeFolders(targets []string) (made []string, err error) {
	for _, target := range targets {
		var missing []string
		for dir := filepath.Dir(target); ; dir = filepath.Dir(dir) {
			if _, err := os.Stat(dir); !errors.Is(err, fs.ErrNotExist) || dir == filepath.Dir(dir) {
				break
			}
			missing = append(missing, dir)
		}
		slices.Reverse(missing)
		for _, dir := range missing {
			if err := os.Mkdir(dir, 0o755); err == nil {
				made = append(made, dir)
			} else if !errors.Is(err, fs.ErrExist) {
				return made, fmt.Errorf("write %s: make its folder: %w", target, err)
			}
		}
	}
	return made, nil
}

// saveAll writes the results to their targets: all of them or none. Folders that are
// missing are made, and go again where nothing is written. Each result is written beside
// its target first; only when the last is complete do they take their places, the last
// first: records stand behind the garments that they are of, and have to be there before
// them (pass.Record.Merged).
func saveAll(ctx context.Context, results []savable, targets []string) (missing [][]string, err error) {
	made, err := makeFolders(targets)
	defer func() {
		if err == nil {
			return
		}
		for _, dir := range slices.Backward(made) {
			os.Remove(dir) // fails where something is in it
		}
	}()
	if err != nil {
		return nil, err
	}
	outputs := make([]wardrobe.Output, len(results))
	for k, r := range results {
		outputs[len(results)-1-k] = r
	}
	backward := slices.Clone(targets)
	slices.Reverse(backward)
	missing, err = wardrobe.SaveAll(ctx, outputs, backward)
	slices.Reverse(missing)
	return missing, err
}
