attempts <- read.csv("tables/attempts.csv")
counting <- attempts[attempts$counts, ]
print(round(tapply(counting$ppfd_umol, list(counting$grid_row, counting$grid_column), identity), 1))
cat("canopy average", round(mean(counting$ppfd_umol), 1), "µmol m-2 s-1\n")
