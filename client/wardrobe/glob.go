package wardrobe

import (
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// hasMeta reports whether a pattern is more than a name.
func hasMeta(pattern string) bool { return strings.ContainsAny(pattern, `*?[\`) }

// glob returns the regular files that a pattern names, sorted. Relative patterns
// begin in dir. Segments are path.Match's; a segment ** stands for any number of
// folders. Folders that cannot be read hold nothing. Names that begin with a dot
// are matched by patterns that do so alone.
func glob(dir, pattern string) []string {
	found, _ := search(dir, pattern)
	list := make([]string, 0, len(found))
	for f := range found {
		list = append(list, f)
	}
	slices.Sort(list)
	return list
}

// search is glob, with the folders that it looked into.
func search(dir, pattern string) (found, folders map[string]bool) {
	start := dir
	segments := strings.Split(path.Clean(pattern), "/")
	if filepath.IsAbs(filepath.FromSlash(pattern)) {
		volume := filepath.VolumeName(filepath.FromSlash(pattern))
		start = volume + string(filepath.Separator)
		segments = strings.Split(strings.TrimPrefix(path.Clean(filepath.ToSlash(pattern[len(volume):])), "/"), "/")
	}
	found, folders = map[string]bool{}, map[string]bool{}
	walk(start, segments, found, folders)
	return found, folders
}

// walk matches the segments from dir on.
func walk(dir string, segments []string, found, folders map[string]bool) {
	folders[dir] = true
	segment, rest := segments[0], segments[1:]
	if segment == "**" {
		if len(rest) == 0 {
			rest = []string{"*"}
		}
		walk(dir, rest, found, folders)
		for _, e := range entries(dir) {
			if e.IsDir() && !strings.HasPrefix(e.Name(), ".") {
				walk(filepath.Join(dir, e.Name()), segments, found, folders)
			}
		}
		return
	}
	var names []string
	if hasMeta(segment) {
		for _, e := range entries(dir) {
			hidden := strings.HasPrefix(e.Name(), ".") && !strings.HasPrefix(segment, ".")
			if ok, err := path.Match(segment, e.Name()); err == nil && ok && !hidden {
				names = append(names, e.Name())
			}
		}
	} else {
		names = []string{segment}
	}
	for _, name := range names {
		p := filepath.Join(dir, name)
		info, err := os.Stat(p)
		switch {
		case err != nil:
		case len(rest) > 0 && info.IsDir():
			walk(p, rest, found, folders)
		case len(rest) == 0 && info.Mode().IsRegular():
			found[p] = true
		}
	}
}

func entries(dir string) []fs.DirEntry {
	list, _ := os.ReadDir(dir) // what can be read of it
	return list
}

// match reports whether a file is one that a pattern names, without looking for it.
func match(dir, pattern, file string) bool {
	pattern = path.Clean(pattern)
	if !filepath.IsAbs(filepath.FromSlash(pattern)) {
		pattern = path.Join(escape(filepath.ToSlash(dir)), pattern)
	}
	return matchSegments(strings.Split(pattern, "/"), strings.Split(path.Clean(filepath.ToSlash(file)), "/"))
}

func matchSegments(pattern, name []string) bool {
	for len(pattern) > 0 {
		if pattern[0] == "**" {
			for i := range len(name) + 1 {
				if matchSegments(pattern[1:], name[i:]) {
					return true
				}
			}
			return false
		}
		if len(name) == 0 {
			return false
		}
		if ok, err := path.Match(pattern[0], name[0]); err != nil || !ok {
			return false
		}
		pattern, name = pattern[1:], name[1:]
	}
	return len(name) == 0
}

// matchesName reports whether a name is one of the names or globs.
func matchesName(globs []Glob, name string) bool {
	return slices.ContainsFunc(globs, func(g Glob) bool {
		ok, err := path.Match(g.Pattern, name)
		return err == nil && ok
	})
}
