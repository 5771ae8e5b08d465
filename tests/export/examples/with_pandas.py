import pandas as pd

attempts = pd.read_csv("tables/attempts.csv")
counting = attempts[attempts["counts"]]
print(counting.pivot(index="grid_row", columns="grid_column", values="ppfd_umol").round(1))
print("canopy average", counting["ppfd_umol"].mean().round(1), "µmol m⁻² s⁻¹")
