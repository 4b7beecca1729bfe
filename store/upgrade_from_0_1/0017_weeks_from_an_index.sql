-- The weeks of a crane are summed for every answer about its life: from the index alone where the days of years lie spread over the table.
create index day_figure_by_week on day_figure (crane_id, counting_id, day) include (peak_cubed_sum);
