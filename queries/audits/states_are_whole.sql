-- Units whose probabilities of states do not add up to one, or that have none; it must be empty.
select
    in_units.unit_id,
    sum(unit_states.probability) as total
from in_units
left join unit_states on in_units.unit_id = unit_states.unit_id
group by in_units.unit_id
having coalesce(abs(sum(unit_states.probability) - 1), 1) > 1e-6
order by in_units.unit_id
