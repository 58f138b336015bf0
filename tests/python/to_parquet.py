"""Writes a Battery Data Format CSV file again as Parquet, with pyarrow.

    to_parquet.py FROM.bdf.csv TO.bdf.parquet

So that our reader meets Parquet which another program wrote.
"""

import sys

import pyarrow.csv
import pyarrow.parquet

pyarrow.parquet.write_table(pyarrow.csv.read_csv(sys.argv[1]), sys.argv[2])
