-- A cell is set aside only where the rest of its record is kept.
delete from aside
where record in (select record from refused union all select record from repeats)
