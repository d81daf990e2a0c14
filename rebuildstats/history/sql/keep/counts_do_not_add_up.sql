-- A row per table of a load whose rows read are not all accounted for.
select load, table_name from load_counts where read <> new + changed + same + rejected + held + blank
