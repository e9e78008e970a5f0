-- The hazard in the authority's own word, as somebody stated it; NULL: stated by degree alone. `hazard` is the degree that it acts as.
ALTER TABLE record.premises ADD COLUMN hazard_class text;
ALTER TABLE record.assembly ADD COLUMN hazard_class text;
-- A testing company reads it where it reads the degree.
GRANT SELECT (hazard_class) ON record.premises TO nonreturn_company;
