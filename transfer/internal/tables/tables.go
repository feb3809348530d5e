// Package tables keeps measured tables in a document, between marks.
package tables

import (
	"fmt"
	"os"
	"strings"

	"github.com/selvage/selvage/transfer/gltfio"
)

// Keep replaces what stands between <!-- name:begin --> and <!-- name:end --> in file.
// A file without these marks is an error, and stays as it is.
func Keep(file, name, text string) error {
	begin, end := "<!-- "+name+":begin -->\n", "<!-- "+name+":end -->"
	doc, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	before, rest, ok := strings.Cut(string(doc), begin)
	_, after, ends := strings.Cut(rest, end)
	if !ok || !ends {
		return fmt.Errorf("%s has no marks of the tables %q", file, name)
	}
	return gltfio.WriteFile(file, []byte(before+begin+text+"\n"+end+after))
}
