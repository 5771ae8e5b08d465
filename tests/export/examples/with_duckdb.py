import duckdb

duckdb.sql("""
    SELECT spot, ppfd_umol, red_600_700_umol / blue_400_500_umol AS red_to_blue, voltage_v
    FROM 'tables/attempts.parquet' WHERE counts ORDER BY grid_row, grid_column
""").show(max_rows=100)
