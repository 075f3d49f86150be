"""Writes the open data sets that lifelines ships into the current folder."""

from lifelines import datasets

leukaemia = datasets.load_leukemia()[["t", "status", "Rx"]]
leukaemia.to_csv("leukaemia.csv", index=False)

rossi = datasets.load_rossi()
rossi.to_csv("rossi.csv", index=False)

heart = datasets.load_stanford_heart_transplants()
heart = heart[["start", "stop", "event", "age", "year", "surgery", "transplant", "id"]]
heart.to_csv("heart.csv", index=False)

aids = datasets.load_multicenter_aids_cohort_study()[["AIDSY", "W", "T", "D"]]
aids.to_csv("aids.csv", index=False)
