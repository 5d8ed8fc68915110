package stats

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// readTable reads a file of testdata, its source at its head, into its columns; an empty cell is NaN.
func readTable(t *testing.T, name string) map[string][]float64 {
	t.Helper()
	rows, head := readText(t, name)
	columns := map[string][]float64{}
	for _, row := range rows {
		for i, h := range head {
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				v = math.NaN()
			}
			columns[h] = append(columns[h], v)
		}
	}
	return columns
}

func readText(t *testing.T, name string) (rows [][]string, head []string) {
	t.Helper()
	file, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil || len(all) < 10 {
		t.Fatalf("%s: %d rows, %v", name, len(all), err)
	}
	return all[1:], all[0]
}

// near holds got against a value from outside.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: %.16g; want %.16g within %.2g", what, got, want, tolerance)
	}
}
