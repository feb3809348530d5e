#!/bin/bash
# compare.sh closest|solve SIZE ROUNDS: runs this project's code and the C++
# programs in turn, ROUNDS times, on the meshes of SIZE (10k, 100k or 1m), and
# prints the medians [least..greatest] as a markdown table. Raw lines, with the
# checks of one program's results against another's, go to build/peers/SERIES.log.
set -euo pipefail
usage() { echo "usage: compare.sh closest|solve 10k|100k|1m ROUNDS" >&2; exit 2; }
[ $# = 3 ] || usage
series=$1 size=$2 rounds=$3
case $series in closest|solve) ;; *) usage ;; esac
case $size in 10k|100k|1m) ;; *) usage ;; esac

here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
out=$root/build/peers
make -s -C "$here" all data >&2
(cd "$root" && go build -o "$out/peercompare" ./transfer/internal/peercompare)

body=$out/data/body_$size.swm garment=$out/data/garment_$size.swm
log=$out/$series-$size.log
repetitions=3
[ "$size" = 1m ] && repetitions=1
for _ in $(seq "$rounds"); do
	if [ "$series" = closest ]; then
		"$out/closest_embree" "$body" "$garment" $repetitions "$out/data/embree_$size.bin"
		"$out/closest_cgal" "$body" "$garment" $repetitions "$out/data/embree_$size.bin" "$out/data/cgal_$size.bin"
		"$out/peercompare" closest "$body" "$garment" $repetitions "$out/data/cgal_$size.bin"
	else
		for threads in 1 2; do
			OPENBLAS_NUM_THREADS=$threads "$out/solve_cholmod" "$garment" cholmod 1 default bi "$out/data/solution_$size.bin"
			OPENBLAS_NUM_THREADS=$threads "$out/solve_cholmod" "$garment" cholmod 1 default harm
		done
		OPENBLAS_NUM_THREADS=1 "$out/solve_cholmod" "$garment" cholmod 1 default bi "$out/data/solution_$size.bin" >/dev/null
		"$out/peercompare" solve "$garment" $repetitions "$out/data/solution_$size.bin"
		"$out/solve_cholmod" "$garment" eigen 1 amd bi - "$out/data/solution_$size.bin"
	fi
done >"$log"
grep CHECK "$log" | sort -u >&2

# One row a label (the words that are not times), one column a kind of time.
awk -v size="$size" '
function is_time(k) { return k ~ /_ms$|ns_per_query/ && k != "query_ms" }
$1 == "RESULT" {
	label = $2
	for (i = 3; i <= NF; i++) {
		if ($i ~ /^(threads|ord|blas)=/ || $i ~ /^x[0-9]+$/ || $i == "bi" || $i == "harm") label = label " " $i
	}
	if (!(label in seen)) { seen[label] = 1; labels[++rows] = label }
	for (i = 3; i <= NF; i++) {
		if (split($i, kv, "=") == 2 && is_time(kv[1])) {
			if (!(kv[1] in column)) { column[kv[1]] = 1; names[++columns] = kv[1] }
			value[label, kv[1], ++count[label, kv[1]]] = kv[2] + 0
		}
	}
}
function cell(label, name,   n, i, j, t, v) {
	n = count[label, name]
	if (n == 0) return ""
	for (i = 1; i <= n; i++) v[i] = value[label, name, i]
	for (i = 1; i <= n; i++) for (j = i + 1; j <= n; j++) if (v[j] < v[i]) { t = v[i]; v[i] = v[j]; v[j] = t }
	t = n % 2 ? v[(n + 1) / 2] : (v[n / 2] + v[n / 2 + 1]) / 2
	return sprintf("%g [%g..%g]", t, v[1], v[n])
}
END {
	line = "| " size " |"; rule = "|---|"
	for (c = 1; c <= columns; c++) { line = line " " names[c] " |"; rule = rule "---|" }
	print line; print rule
	for (r = 1; r <= rows; r++) {
		line = "| " labels[r] " |"
		for (c = 1; c <= columns; c++) line = line " " cell(labels[r], names[c]) " |"
		print line
	}
}' "$log"
